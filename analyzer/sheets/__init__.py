"""Sheets: what the user wrote about car, session and course, validated and in SI units."""
