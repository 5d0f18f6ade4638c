"""Kinds of outcome, one folder each: from scores, or attendance, to an estimate and what stands beside it."""
