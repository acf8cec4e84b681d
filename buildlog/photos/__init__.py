"""Pictures of what was built and what broke."""
