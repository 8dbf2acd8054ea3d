"""Spectrum tables of a design: orders and operating points, no time axis."""
