"""Records: what happened, as tables that a person can open, and the frozen rows derived from them."""
