"""``lowhalf solve``: one file a question."""
