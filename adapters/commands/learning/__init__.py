"""What ``lowhalf learn`` does: learning from recordings, and what to do next."""
