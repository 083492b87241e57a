"""Which build of the game runs, and in which byte order its memory is read, by evidence."""
