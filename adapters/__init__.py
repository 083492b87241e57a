"""Everything that touches the outside: sources, outputs and the command line."""
