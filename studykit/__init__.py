"""studykit: a fair, affordable studio comparison of conventional sets with and without partner reps."""
