"""The site is put together here: settings, addresses, the WSGI application."""
