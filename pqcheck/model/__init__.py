"""The values that pass between the rooms, and the words for them. Nothing here reads, judges or draws."""
