"""What the terminal says, in words."""

from collections import Counter

from api.cli.printing import reasons_in_words
from scheduler.routing.explanation import Reason


def test_reasons_are_told_in_words_and_the_commonest_first() -> None:
    reasons = Counter({"no_window_in_any_shift": 1, "full": 7, "dearer_than_leaving_out": 3, "": 2})
    assert reasons_in_words(reasons) == (
        "7 without room left in the rounds, 3 dearer to make than to leave for later, "
        "2 not looked into, 1 without access during anybody's working day"
    )
    everything = reasons_in_words(Counter(map(str, Reason)))
    assert (everything.count("1 "), "_" in everything) == (len(Reason), False)
