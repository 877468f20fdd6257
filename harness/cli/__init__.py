"""One small file a command; no logic."""
