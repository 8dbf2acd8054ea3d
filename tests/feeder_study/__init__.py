"""A small feeder solved by an independent circuit engine, with and without a new nonlinear load."""
