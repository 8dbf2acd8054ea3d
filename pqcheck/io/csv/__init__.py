"""Delimited text: what the text of a file means, cell by cell."""
