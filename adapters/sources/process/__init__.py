"""Source ``process``: guest RAM that is found in another program's memory."""
