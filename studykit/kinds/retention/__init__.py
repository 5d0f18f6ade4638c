"""Retention: who still trains at the horizon, and how long clients stayed."""
