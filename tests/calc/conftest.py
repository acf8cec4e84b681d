from hypothesis import settings

settings.register_profile("quick", max_examples=30, deadline=None)
settings.load_profile("quick")
