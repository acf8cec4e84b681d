"""Template tags over what happened out there."""
