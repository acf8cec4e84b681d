"""Reading what instruments recorded, and what follows from it."""
