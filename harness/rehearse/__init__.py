"""The simulated bench: circuit physics, faults, coupling to pyvisa-sim, TCP host."""
