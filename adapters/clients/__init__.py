"""Client kits for LHP/1: one file each, to be copied to where the frames are made."""
