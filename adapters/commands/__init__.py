"""The command line: one module a command, which joins sources with outputs."""
