"""Continuous outcomes: strength, and whatever else is measured in numbers."""
