"""Expressions over many frames of recorded memory: columns with a value or a status a frame."""
