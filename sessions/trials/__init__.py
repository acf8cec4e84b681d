"""Whether one revision is better than another."""
