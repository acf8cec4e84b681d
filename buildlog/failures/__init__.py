"""Failures, their modes and causes, their fixes, and whether those held."""
