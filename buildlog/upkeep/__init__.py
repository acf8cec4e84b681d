"""Pieces and what they went through; what is due of a machine's upkeep."""
