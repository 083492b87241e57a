"""What several commands share: arguments, tables, streams, signals and the log."""
