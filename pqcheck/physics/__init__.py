"""Pure array functions with units, validity and references in every docstring."""
