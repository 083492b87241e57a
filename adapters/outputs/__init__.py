"""Where readings go: one module a kind of output."""
