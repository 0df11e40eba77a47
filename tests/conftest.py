"""Settings for every test."""

from hypothesis import settings

# How long an example takes says more about what else the machine does than about the code.
settings.register_profile("patient", deadline=None)
settings.load_profile("patient")
