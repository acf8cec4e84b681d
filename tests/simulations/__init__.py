"""What is claimed of decisions, held against invented seasons: `python -m tests.simulations`."""
