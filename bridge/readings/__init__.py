"""What one frame says: a reading for each watch, with its status and its reason."""
