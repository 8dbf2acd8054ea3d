"""A fail becomes waived, nothing else."""
