"""Watching a run while it goes on: from its journal, on the terminal and as a page."""
