"""Types of values, what a reading can be instead of a value, and targets."""
