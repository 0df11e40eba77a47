"""What can go wrong in the engine.

    SteamroundError
    ├── InvalidInput            a value, file or table that breaks its own rules
    │   ├── InvalidCatalogue
    │   ├── InvalidProblem
    │   └── InvalidPlan
    └── Impossible              a sound question with no answer

Errors are nouns with fields; the edge of the program turns them into words for its own medium.
"""


class SteamroundError(Exception):
    """Base of everything this package raises on purpose."""


class InvalidInput(SteamroundError):
    """A value breaks its own rules; the message shows the value and says what to do."""


class Impossible(SteamroundError):
    """The question is sound but has no answer."""
