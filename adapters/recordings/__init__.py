"""Recordings: a game's memory over time in one MCAP file.

A recording is a row of *groups*.  Each begins with a key image, which holds all that is recorded,
and goes on with the lines that each later frame changed.  Our recorder makes a group one MCAP
chunk, compressed by itself and found through MCAP's own index, so any frame is had by unpacking one
group.  What other programs made of such a file is read as well, however its chunks lie.
"""
