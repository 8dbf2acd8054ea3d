"""Column names to channels, and in words how they were understood."""
