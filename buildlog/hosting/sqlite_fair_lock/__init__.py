"""Django's SQLite, with a fairer wait for those who write at the same time."""
