"""The performance ratios of the harness, printed as a table by ``python -m benchmarks``.

Each benchmark is a file with one public function, which returns one figure. A ratio comes from one
run in which both sides take turns, so that a machine that is busy for a while slows both. Nothing
here is a test: a figure that misses its goal is printed, and fails nothing.
"""
