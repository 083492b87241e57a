"""The source ``process``: guest RAM found in another program's memory."""
