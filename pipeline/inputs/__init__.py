"""What the user wrote: job, sheet, cards and readings, strictly read."""
