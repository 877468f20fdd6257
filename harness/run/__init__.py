"""The engine: carries a plan out, step by step."""
