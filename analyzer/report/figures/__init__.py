"""Figures of the report: style, and one module for each kind of question a figure answers."""
