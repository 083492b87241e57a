"""Typed nodes to values of one frame: generated code, what runs it, and what it may cost."""
