"""Looking back: what attendance records alone say about partner reps and retention, and what they cannot.

Clients were not allocated by chance here, so nothing in this room shows what partner reps cause.
"""
