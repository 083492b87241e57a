"""Attempts and tallies in an SQLite file."""
