from hypothesis import settings

# The same examples on every machine: a check must not pass today and fail tomorrow.
settings.register_profile("quick", max_examples=50, deadline=None, derandomize=True)
settings.load_profile("quick")
