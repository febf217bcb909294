"""What a solved job is, and the files that it leaves."""
