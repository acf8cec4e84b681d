"""Pictures of numbers."""
