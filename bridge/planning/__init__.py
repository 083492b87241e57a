"""Planning of allocations: which actions bring a block to where it is wanted."""
