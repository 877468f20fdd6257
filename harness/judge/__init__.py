"""Settling, uncertainty, decision rules, verdicts: numpy in, numpy out (pure)."""
