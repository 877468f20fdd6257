"""Error rates of a profile: many random units, healthy and faulty, each through the real engine.

A script starts a campaign with :func:`harness.qualify_profile`; what comes back has its rows, and
gives them as CSV and as a frame.
"""
