"""Types of what is stored as plain text or JSON, checked wherever it comes in.

The tables themselves check nothing (``table=True``): rows are made from models of these types.
"""

from collections.abc import Callable
from datetime import UTC, date, datetime, time
from typing import Annotated, Final, TypeVar

from pydantic import AfterValidator, AwareDatetime, BeforeValidator, Field

from scheduler.errors import InvalidInput
from scheduler.water import HardnessUnit, german_degrees
from scheduler.weekly_hours import WeeklyHours
from scheduler.working_time import WorkingCalendar, public_holidays

Value = TypeVar("Value")

FIRST_DAY: Final = date(1950, 1, 1)
LAST_DAY: Final = date(2199, 12, 31)
"""The days that can be meant: beyond them lie slips of the pen, and days no zone can reckon."""


def refused_as_value_error(check: Callable[[Value], object]) -> Callable[[Value], Value]:
    """Return ``check`` as a validator: it keeps the value, and a refusal is a ``ValueError``."""

    def keep(value: Value) -> Value:
        try:
            check(value)
        except InvalidInput as refusal:
            raise ValueError(str(refusal)) from refusal
        return value

    return keep


def _check_zone(name: str) -> object:
    return WorkingCalendar(zone=name, weekly=WeeklyHours.parse(""))


def _check_country(country: str) -> object:
    return public_holidays(country, None, 2027)


def _clock_time(text: str) -> object:
    try:
        return time.fromisoformat(text)
    except ValueError:
        raise InvalidInput(f"write a time of day such as 11:30, got {text!r}") from None


def _written_out(value: object) -> object:
    """Refuse the numbers that would pass for seconds since 1970."""
    if isinstance(value, int | float) or (isinstance(value, str) and value[4:5] != "-"):
        raise ValueError(f"write a date as in 2027-03-31, got {value!r}")
    return value


def _written_out_instant(value: object) -> object:
    """Refuse the numbers that would pass for seconds since 1970."""
    try:
        return _written_out(value)
    except ValueError:
        raise ValueError(
            f"write an instant with its offset, as in 2027-03-31T09:30:00+02:00, got {value!r}"
        ) from None


def _can_be_meant(day: date) -> date:
    if not FIRST_DAY <= day <= LAST_DAY:
        raise ValueError(f"write a day from {FIRST_DAY} to {LAST_DAY}, got {day}")
    return day


def _utc_seconds(instant: datetime) -> datetime:
    _can_be_meant(instant.date())
    return instant.astimezone(UTC).replace(microsecond=0)


def _in_order(days: list[date]) -> object:
    if days[0] > days[1]:
        raise InvalidInput(f"the last day {days[1]} is before the first {days[0]}")
    return days


def _said(words: str) -> str:
    if not words.strip():
        raise ValueError("write something, not only spaces")
    return words.strip()


def _a_number(value: object) -> object:
    if isinstance(value, bool):
        raise ValueError("write a number, not true or false")
    return value


def _in_german_degrees(value: object) -> object:
    if not isinstance(value, str):
        return _a_number(value)
    try:
        return german_degrees(value)
    except InvalidInput as refusal:
        raise ValueError(str(refusal)) from refusal


_Number = BeforeValidator(_a_number)

Id = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9_.:-]+$")]
MachineName = Annotated[
    str, Field(min_length=1, max_length=200, pattern=r"^[A-Za-z0-9_.:/#() -]+$")
]
"""An id, a tag, or a serial number as it is stamped."""
Text = Annotated[str, Field(max_length=500)]
Name = Annotated[str, Field(min_length=1, max_length=200)]
Said = Annotated[
    str,
    Field(min_length=1, max_length=200, json_schema_extra={"pattern": r"\S"}),
    AfterValidator(_said),
]
"""What somebody answers for: a reason, who says so. Spaces alone say nothing."""
Photo = Annotated[
    str,
    Field(
        min_length=1,
        max_length=500,
        pattern=r"^(https://[A-Za-z0-9._~:/?#@!$&'()*+,;=%\[\]-]+|[A-Za-z0-9][A-Za-z0-9._-]*)$",
    ),
]
"""An address of a picture, or an opaque reference to one; nobody here ever fetches it."""
Hours = Annotated[
    str, Field(max_length=500), AfterValidator(refused_as_value_error(WeeklyHours.parse))
]
Zone = Annotated[str, AfterValidator(refused_as_value_error(_check_zone))]
Country = Annotated[
    str, Field(pattern=r"^[A-Z]{2}$"), AfterValidator(refused_as_value_error(_check_country))
]
ClockTime = Annotated[
    str, Field(pattern=r"^\d{2}:\d{2}$"), AfterValidator(refused_as_value_error(_clock_time))
]
Latitude = Annotated[float, Field(ge=-90, le=90, allow_inf_nan=False), _Number]
Longitude = Annotated[float, Field(ge=-180, le=180, allow_inf_nan=False), _Number]
Altitude = Annotated[float, Field(ge=-450, le=9000, allow_inf_nan=False), _Number]
Hardness = Annotated[
    float,
    Field(ge=0, le=100, allow_inf_nan=False),
    BeforeValidator(
        _in_german_degrees,
        json_schema_input_type=Annotated[float, Field(ge=0, le=100)]
        | Annotated[
            str,
            Field(
                pattern=f"^[0-9]+([.][0-9]+)? ({'|'.join(HardnessUnit)})$",
                description="With its unit.",
                examples=["12 gpg"],
            ),
        ],
    ),
]
"""Kept in °dH, whatever unit it comes in."""
Acidity = Annotated[float, Field(ge=4, le=11, allow_inf_nan=False)]
"""The pH of tap water; beyond lies a slip of the pen."""
Dissolved = Annotated[float, Field(gt=0, le=5000, allow_inf_nan=False)]
"""Milligrams in a litre of tap water."""
Amount = Annotated[float, Field(ge=0, allow_inf_nan=False), _Number]
Minutes = Annotated[int, Field(ge=0, le=100_000), _Number]
MinorUnits = Annotated[int, Field(ge=0, le=10_000_000), _Number]
Pace = Annotated[float, Field(ge=0.2, le=5, allow_inf_nan=False), _Number]
Day = Annotated[date, BeforeValidator(_written_out), AfterValidator(_can_be_meant)]
DaySpan = Annotated[
    list[Day],
    Field(min_length=2, max_length=2, description="The first day and the last."),
    AfterValidator(refused_as_value_error(_in_order)),
]
Instant = Annotated[
    AwareDatetime, BeforeValidator(_written_out_instant), AfterValidator(_utc_seconds)
]
"""An instant of any offset, kept in UTC and whole seconds."""


def _words(cell: object) -> object:
    return cell.split() if isinstance(cell, str) else cell


def _pairs(cell: object) -> object:
    if not isinstance(cell, str):
        return cell
    pairs = [word.partition("=") for word in cell.split()]
    if wrong := [word for word, sign, _ in pairs if not sign]:
        raise ValueError(f"write pairs such as danger=120, got {' '.join(wrong)}")
    return {key: value for key, _, value in pairs}


def _spans(cell: object) -> object:
    if not isinstance(cell, str):
        return cell
    spans = [word.split("/") for word in cell.split()]
    if wrong := ["/".join(span) for span in spans if len(span) != 2]:
        raise ValueError(f"write first/last days, 2027-08-01/2027-08-15, got {' '.join(wrong)}")
    return spans


FromWords = BeforeValidator(_words)
FromPairs = BeforeValidator(_pairs)
FromSpans = BeforeValidator(_spans)
"""How lists, maps and closed periods are read from one cell of a CSV file."""
