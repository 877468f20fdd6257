"""First files, from a few answers."""
