"""Backups: one file that holds all of an installation, made, kept, checked and put back."""
