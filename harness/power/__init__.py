"""The keeper of power: its process, the engine's end of it, monitors and trips."""
