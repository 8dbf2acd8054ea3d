"""Recordings built from a circuit, with faults planted in the recorder's connections: knows nothing of the checks."""
