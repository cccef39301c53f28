"""Ingest: a log file becomes a `Recording` with house names, SI units and a uniform time base."""
