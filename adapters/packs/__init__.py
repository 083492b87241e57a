"""Packs: zip archives that hold a set-up; written, read with care, and unpacked."""
