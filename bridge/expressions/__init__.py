"""Expressions: text to syntax tree, syntax tree to typed nodes."""
