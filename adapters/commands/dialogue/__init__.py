"""Dialogue in a terminal about what a person is asked: the lines that are shown, and said."""
