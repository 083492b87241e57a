"""A set-up as a sheet for a person who reads memory by hand: addresses, sums, targets, steps."""
