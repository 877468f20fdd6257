"""Drafts of the files a user writes: answers in, commented TOML out (pure)."""
