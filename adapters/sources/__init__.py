"""Where RAM comes from: one module a kind of source."""
