"""What the core asks of the outside: sources, outputs and whatever keeps attempts."""
