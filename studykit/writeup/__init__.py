"""From results, or from a frame of one's own, to a manuscript: one Word document and its tables as files."""
