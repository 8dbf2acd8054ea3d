"""Runs, ranks, selection and sums of squares, with the compiled code beside its numpy form."""
