"""VISA links, SCPI text, dialects, roles and the keeper."""
