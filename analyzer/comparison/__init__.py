"""Comparison: measured against predicted, and set-up against set-up."""
