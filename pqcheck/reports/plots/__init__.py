"""Figures of the report: matplotlib drawings as SVG texts whose bytes depend on the numbers alone."""
