"""Windows' calls that read other programs' memory, in Python's terms."""
