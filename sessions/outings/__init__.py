"""Where machines are ridden, and what was timed and read there."""
