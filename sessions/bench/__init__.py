"""What to settle, fix and test before the next change."""
