"""Many studios, one answer: statistics of pooling, the file a studio hands in, the joining list."""
