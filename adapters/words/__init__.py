"""What people are shown of readings, practice and derivations, in words."""
