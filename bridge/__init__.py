"""The core of lowhalf: images, expressions, watches and the daemon's life cycle, without I/O."""
