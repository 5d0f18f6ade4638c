"""Allocation: pure methods, the append-only ledger, and its audit."""
