"""One declaration of a stored quantity: its column, bounds, form, API and display."""
