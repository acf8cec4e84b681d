"""What the phone takes along, and what it brings back."""
