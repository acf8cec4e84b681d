"""What every record has in common: its form, its page, its API, its removal."""
