"""What ``lowhalf check`` says of a pack: its files, its expectations and layouts in its clips."""
