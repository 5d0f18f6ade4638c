"""The protocol: what a study will do, decided before its first client."""
