"""Benchmarks are scripts, run by hand (see `timing`): pytest finds nothing to do here."""

collect_ignore_glob = ["*.py"]
