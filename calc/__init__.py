"""What is true of any machine: plain functions on numbers with units. No Django, no files, no network."""
