"""Functions over frames as state machines, one file for those that remember alike."""
