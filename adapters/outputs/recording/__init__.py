"""The output ``recording``: memory and readings of each frame that is taken, in one file."""
