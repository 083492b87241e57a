"""What a log says of events that come many times a second."""
