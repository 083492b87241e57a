"""Dumps and a recording of the demo game, with a bridge file each."""
