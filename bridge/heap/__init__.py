"""The heap: its blocks, its shape beside another, and what became of pointers into it."""
