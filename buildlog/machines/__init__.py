"""Vehicles, their revisions, and the parts fitted to them."""
