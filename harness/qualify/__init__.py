"""Error rates of a profile: many random units, healthy and faulty, each through the real engine.

A script starts a campaign with :func:`harness.qualify.campaign.qualify`; what comes back has the
rows, a frame, the table of rates and the plot.
"""
