"""Backups: one file that holds all of an installation; making, keeping, checking and restoring it."""
