"""The command line: one module a command, and the one place that wires the parts."""
