"""How a value was found, step by step, and back from an address to its name."""
