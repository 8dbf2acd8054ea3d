"""Tests, benchmarks and the recordings they are made from."""
