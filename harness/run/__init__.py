"""The engine: one file a step kind."""
