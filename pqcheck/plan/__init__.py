"""Before and during a survey: what to record, and how far a recording has come."""
