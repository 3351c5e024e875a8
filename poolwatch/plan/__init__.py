"""What to record, what to weld, how many welds."""
