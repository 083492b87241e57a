"""The sources ``file`` and ``folder``: dumps, and where their bytes lie in the guest."""
