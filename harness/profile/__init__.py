"""Profile and bench files: schema, loading, expansion into a plan, pre-flight (pure)."""
