"""Recordings as instruments and spreadsheets write them, an independent reading of their rows, and properties of both.

`python -m tests.odd_recordings.run 5000` tries thousands; `tests/test_odd_recordings.py` some hundred.
"""
