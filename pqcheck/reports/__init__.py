"""Draw and write what lower ranks computed; decide nothing."""
