"""Graded observations about causes (never verdicts), and the thinned recording that they and the report draw on."""
