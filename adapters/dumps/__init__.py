"""Dump files: what is wrapped around one, and which guest bytes are in it."""
