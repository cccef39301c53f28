"""A season of sessions: every run estimated once, kept as a data set, and what changed over the season."""
