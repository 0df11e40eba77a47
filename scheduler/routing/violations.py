"""The rules a plan can break, and how a broken one is reported."""

from dataclasses import dataclass
from enum import StrEnum


class Rule(StrEnum):
    """The rules a plan can break."""

    UNKNOWN_VISIT = "unknown_visit"
    UNKNOWN_SHIFT = "unknown_shift"
    PLANNED_TWICE = "planned_twice"
    LEFT_OUT_TWICE = "left_out_twice"
    PLANNED_AND_LEFT_OUT = "planned_and_left_out"
    VISIT_MISSING = "visit_missing"
    PIN_LEFT_OUT = "pin_left_out"
    PIN_MOVED = "pin_moved"
    SKILL_MISSING = "skill_missing"
    OUTSIDE_WINDOWS = "outside_windows"
    STARTS_TOO_EARLY = "starts_too_early"
    RETURNS_TOO_LATE = "returns_too_late"
    VISITS_OVERLAP = "visits_overlap"
    TRAVEL_TOO_SHORT = "travel_too_short"
    BREAK_MISSING = "break_missing"
    BREAK_TWICE = "break_twice"
    BREAK_NOT_DUE = "break_not_due"
    BREAK_OUTSIDE_WINDOW = "break_outside_window"
    BREAK_OUTSIDE_SHIFT = "break_outside_shift"
    BREAK_DURING_VISIT = "break_during_visit"
    CALL_TWICE = "call_twice"
    CALL_NOT_POSSIBLE = "call_not_possible"
    TOOL_MISSING = "tool_missing"
    PARTS_USED_UP = "parts_used_up"
    DRIVES_TOO_LONG = "drives_too_long"
    TOO_SOON_AFTER = "too_soon_after"
    NOT_TOGETHER = "not_together"
    SITE_SHARED = "site_shared"
    LINK_LEFT_OUT = "link_left_out"
    COST_WRONG = "cost_wrong"


@dataclass(frozen=True, slots=True, kw_only=True)
class Violation:
    """One rule broken at one place.

    Attributes
    ----------
    rule
        Which rule.
    detail
        A sentence with the numbers.
    visit, shift
        The ids concerned, None where the rule is not about one.
    """

    rule: Rule
    detail: str
    visit: str | None = None
    shift: str | None = None
