"""Whole frames out of a running game, one after the other, and what is counted over them."""
