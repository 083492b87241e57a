"""Sources ``file`` and ``folder``: dumps of guest RAM, and where their bytes lie in the guest."""
