"""Error rates of a profile: many random units, healthy and faulty, each through the real engine."""
