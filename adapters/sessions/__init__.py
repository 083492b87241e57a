"""What several commands do with a source: one frame, tallies over files, what pages read."""
