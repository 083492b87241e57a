"""Source ``debugger``: guest RAM read through a debugger stub (GDB remote serial protocol)."""
