"""Outcomes: where the protocol meets the mathematics, and results get their names."""
