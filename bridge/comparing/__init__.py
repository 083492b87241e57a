"""Two moments of a guest compared: blocks of the heap, fields by their paths, and raw bytes."""
