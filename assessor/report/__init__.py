"""Records, pictures and pages of results; formats numbers, computes none."""
