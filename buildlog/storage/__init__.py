"""Durable writing: files, transactions, and a disk that is full."""
