"""What leaves the house: reports, links, archives, tables."""
