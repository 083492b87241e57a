"""Expectations: what a watch should give, and how a reading is held against it."""
