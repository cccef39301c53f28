"""Prediction: what a car with a given bar setting should do, from the sheet alone. Never sees a log."""
