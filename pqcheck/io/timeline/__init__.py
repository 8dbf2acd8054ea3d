"""What the rows of files mean in time: stamps, the regular axis, merging, blocks of whole days."""
