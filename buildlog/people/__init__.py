"""Who may come in, as what, and what happened to access."""
