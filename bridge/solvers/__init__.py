"""Searches that need no game: values with a wanted half, the cheapest turns, sums on paper."""
