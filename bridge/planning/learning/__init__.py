"""Learning from recorded play: the allocator's policy and what each action does to the heap.

The heap is seen frame by frame and says which blocks came and went, and where; labels say which
action was done in a frame.  What was seen rules out what could not have made it; the rest is left,
and is told as such.
"""
