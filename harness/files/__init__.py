"""TOML with line numbers, field types, mistakes told in one go."""
