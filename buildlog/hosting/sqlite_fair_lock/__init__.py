"""Django's SQLite backend, with a fair wait for the write lock."""
