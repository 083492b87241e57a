"""The functions that expressions can call: one file a family, one row a function."""
