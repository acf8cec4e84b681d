"""What the records of sessions come down to: results with their evidence."""
