"""What it means: adjustment, scale, datum, deviations, report and the command line."""
