"""Demo: a virtual car, written apart from the analysis, that drives an invented course."""
