"""Results of sessions with their evidence."""
