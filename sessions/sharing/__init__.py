"""Sharing and exporting: reports, links, archives, tables."""
