"""JSON that a command and a page both give."""
