"""Health checks of one run's channels, grouped by what they look at; each gives rows of one shape."""
