"""What went wrong in a shoot: told, and where possible repaired."""
