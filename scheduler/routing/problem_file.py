"""The problem file: a planning problem as JSON, packed with gzip or not.

    read_problem(path) -> Problem        write_problem(problem, path)

What the fields mean stands in `problem.py` and `parts.py`; the names in the file are theirs, but
for "break", which is `pause` there. Later versions add fields, never change meanings: a file
without a field is read as one from before there was such a field.
"""

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from scheduler.errors import InvalidProblem
from scheduler.routing.misfits import note_misfits
from scheduler.routing.parts import MINUTES_LIMIT, Place, Shift, Visit
from scheduler.routing.parts_file import (
    place_from_json,
    place_to_json,
    shift_from_json,
    shift_to_json,
    visit_from_json,
    visit_to_json,
)
from scheduler.routing.problem import Charge, Problem
from scheduler.routing.reading import Fields, Flaws, load_json, save_json, shown

FORMAT = "steamround-problem/1"

KNOWN_KEYS: Mapping[str, frozenset[str]] = {
    "": frozenset(
        {
            "format",
            "minute_zero",
            "places",
            "travel_minutes",
            "shifts",
            "visits",
            "charge",
            "balance",
        }
    ),
    "places[]": frozenset({"id", "lat", "lon"}),
    "shifts[]": frozenset(
        {
            "id",
            "technician",
            "start_place",
            "end_place",
            "start",
            "end",
            "skills",
            "break",
            "tools",
            "parts",
            "workshop",
            "driving_limit",
            "usual_minutes",
        }
    ),
    "shifts[].workshop": frozenset({"place", "minutes"}),
    "shifts[].break": frozenset({"minutes", "earliest", "latest"}),
    "visits[]": frozenset(
        {
            "id",
            "place",
            "minutes",
            "skills",
            "start_windows",
            "leave_out_cost",
            "pinned",
            "shift_costs",
            "tools",
            "parts",
            "shift_minutes",
            "after",
            "together_with",
            "site",
        }
    ),
    "visits[].after": frozenset({"visit", "minutes"}),
    "visits[].pinned": frozenset({"shift", "start"}),
}


def read_problem(path: Path) -> Problem:
    """Read a problem file, packed with gzip or not.

    Raises
    ------
    InvalidProblem
        Lists every flaw of the file, each with its path in the document.
    OSError
        The file cannot be read.
    """
    flaws = Flaws()
    document = load_json(path, flaws)
    if len(flaws):
        raise InvalidProblem(flaws.as_tuple())
    return problem_from_json(document)


def write_problem(problem: Problem, path: Path) -> None:
    """Write a problem file, packed with gzip when its name ends in .gz."""
    save_json(problem_to_json(problem), path)


def problem_from_json(document: object) -> Problem:
    """Build a problem from the parsed JSON of a problem file.

    Keys this version does not know are passed over; `unread_keys` names them.

    Raises
    ------
    InvalidProblem
        Lists every flaw of the document. Whether a part fits the others is asked of the parts
        that are sound in themselves.
    """
    flaws = Flaws()
    top = Fields(document, "", flaws)
    if len(flaws):
        raise InvalidProblem(flaws.as_tuple())
    if top.text("format") != FORMAT:
        flaws.note("format", f'must be "{FORMAT}", got {shown(top.raw("format"))}')
    minute_zero = _instant(top, flaws)
    places = _items(top, flaws, "places", place_from_json)
    shifts = _items(top, flaws, "shifts", shift_from_json)
    visits = _items(top, flaws, "visits", visit_from_json)
    travel = _matrix(top, flaws)
    charge = _charge(top, flaws)
    balance = top.whole("balance") if top.has("balance") else 0
    note_misfits(flaws, places, travel, shifts, visits)
    if len(flaws):
        raise InvalidProblem(flaws.as_tuple())
    assert travel is not None
    return Problem(
        minute_zero=minute_zero,
        places=tuple(place for place in places if place),
        travel_minutes=travel.astype(np.int32),
        shifts=tuple(shift for shift in shifts if shift),
        visits=tuple(visit for visit in visits if visit),
        charge=charge,
        balance=balance,
    )


def problem_to_json(problem: Problem) -> dict[str, Any]:
    """Return the JSON document of a problem file; absent options are left away."""
    return {
        "format": FORMAT,
        "minute_zero": problem.minute_zero.isoformat().replace("+00:00", "Z"),
        "places": [place_to_json(place) for place in problem.places],
        "travel_minutes": problem.travel_minutes.tolist(),
        "shifts": [shift_to_json(shift) for shift in problem.shifts],
        "visits": [visit_to_json(visit) for visit in problem.visits],
    } | _charges_to_json(problem)


def _charges_to_json(problem: Problem) -> dict[str, Any]:
    charge = {} if problem.charge is Charge.TRAVEL else {"charge": str(problem.charge)}
    return charge | ({"balance": problem.balance} if problem.balance else {})


def unread_keys(document: object) -> tuple[str, ...]:
    """Name the keys of a problem document that this version passes over.

    Later versions add fields. Whoever reads such a file should tell its user that these were
    not heeded.

    Returns
    -------
    tuple of str
        Paths such as ``visits[].tools``, sorted, each once.
    """
    found: set[str] = set()

    def walk(value: object, path: str) -> None:
        if isinstance(value, list):
            for item in value:
                walk(item, f"{path}[]")
        elif isinstance(value, dict) and path in KNOWN_KEYS:
            for key, inner in value.items():
                inner_path = f"{path}.{key}" if path else key
                if key not in KNOWN_KEYS[path]:
                    found.add(inner_path)
                elif key != "travel_minutes":
                    walk(inner, inner_path)

    walk(document, "")
    return tuple(sorted(found))


def _instant(top: Fields, flaws: Flaws) -> datetime:
    text = top.text("minute_zero")
    try:
        instant = datetime.fromisoformat(text)
    except ValueError:
        flaws.note(
            "minute_zero",
            f"must be an instant such as 2027-03-01T00:00:00Z, got {shown(text)}",
        )
        return datetime.min.replace(tzinfo=UTC)
    if instant.utcoffset() is None:
        flaws.note("minute_zero", f"must carry its offset from UTC (Z), got {shown(text)}")
    return instant


def _charge(top: Fields, flaws: Flaws) -> Charge:
    if not top.has("charge"):
        return Charge.TRAVEL
    text = top.text("charge")
    if text not in set(Charge):
        flaws.note("charge", f"must be one of {', '.join(Charge)}, got {shown(text)}")
        return Charge.TRAVEL
    return Charge(text)


def _matrix(top: Fields, flaws: Flaws) -> NDArray[Any] | None:
    """Return the travel matrix as int64, None when a row is not one of whole numbers."""
    before = len(flaws)
    rows = top.array("travel_minutes")
    for at, row in enumerate(rows):
        if not isinstance(row, list) or len(row) != len(rows):
            found = len(row) if isinstance(row, list) else shown(row)
            flaws.note(f"travel_minutes[{at}]", f"must be {len(rows)} whole numbers, got {found}")
        elif not set(map(type, row)) <= {int}:
            for to, value in enumerate(row):
                if type(value) is not int:
                    flaws.note(
                        f"travel_minutes[{at}][{to}]",
                        f"must be a whole number of minutes, got {shown(value)}",
                    )
    if len(flaws) > before:
        return None
    try:
        return np.array(rows, dtype=np.int64).reshape(len(rows), len(rows))
    except OverflowError:
        for at, row in enumerate(rows):
            for to, value in enumerate(row):
                if abs(value) > MINUTES_LIMIT:
                    flaws.note(
                        f"travel_minutes[{at}][{to}]",
                        f"must be from 0 to {MINUTES_LIMIT} minutes, got {value}",
                    )
        return None


_T = TypeVar("_T", Place, Shift, Visit)


def _items(
    top: Fields, flaws: Flaws, key: str, build: Callable[[Fields, Flaws], _T]
) -> list[_T | None]:
    """Build every item of an array, None where one is flawed."""
    items: list[_T | None] = []
    for at, value in enumerate(top.array(key)):
        before = len(flaws)
        path = f"{key}[{at}]"
        item: _T | None = None
        try:
            item = build(Fields(value, path, flaws), flaws)
        except InvalidProblem as error:
            flaws.note_all(error.flaws, under=path)
        items.append(item if len(flaws) == before else None)
    return items
