"""Attempts and tallies in an SQLite file, written by a thread."""
