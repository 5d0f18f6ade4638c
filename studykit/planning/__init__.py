"""Planning: what a study can and cannot tell, before anyone is enrolled."""
