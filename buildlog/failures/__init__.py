"""What broke, why, what was done about it, and whether that held."""
