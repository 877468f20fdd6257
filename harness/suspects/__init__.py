"""What most likely explains a run: the library of simulated units, and the comparison with it."""
