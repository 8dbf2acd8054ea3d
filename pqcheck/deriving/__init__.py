"""Recording to Recording: declared corrections, aggregation, base conversion, derived quantities."""
