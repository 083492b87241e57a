"""Sources ``push`` and ``serial``: frames that a producer sends (LHP/1)."""
