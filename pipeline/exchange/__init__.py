"""A solved job as files that other software reads."""
