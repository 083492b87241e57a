"""The source ``debugger``: the remote serial protocol of a debugger stub."""
