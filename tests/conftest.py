"""Settings for every test."""

import os
from pathlib import Path

from hypothesis import settings

# How long an example takes says more about what else the machine does than about the code.
settings.register_profile("patient", deadline=None)
settings.load_profile("patient")

# The planner takes half a minute to compile: once, for all tests, workers and commands they start.
# Unset, the first command run within a test's process would name a folder of its own for the rest.
_CACHE = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
os.environ.setdefault("NUMBA_CACHE_DIR", str(_CACHE / "steamround"))
