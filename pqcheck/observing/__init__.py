"""Graded observations about causes; they change no verdict."""
