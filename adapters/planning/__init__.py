"""What searches for plans faster than plain Python: a core in C, and which engine there is."""
