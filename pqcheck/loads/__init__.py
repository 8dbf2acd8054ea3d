"""Demand, spare capacity and the effect of a new load."""
