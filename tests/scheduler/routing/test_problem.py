"""The planning problem: what it refuses, and its file."""

import gzip
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given

from scheduler.errors import Flaw, InvalidProblem
from scheduler.routing.problem import Charge, Pause, Pin, Problem, Visit
from scheduler.routing.problem_file import (
    problem_from_json,
    problem_to_json,
    read_problem,
    unread_keys,
    write_problem,
)
from tests.scheduler.routing.strategies import problems
from tests.scheduler.routing.world import ANN, BURNER, PROBE, VALVES, world


def flaws_of(document: object) -> list[str]:
    with pytest.raises(InvalidProblem) as caught:
        problem_from_json(document)
    return [str(flaw) for flaw in caught.value.flaws]


def document() -> dict[str, Any]:
    return json.loads(json.dumps(problem_to_json(world())))  # type: ignore[no-any-return]


def test_problem_file_looks_as_described() -> None:
    pinned = replace(VALVES, pinned=Pin(shift="bo/mon", start=500))
    assert problem_to_json(world(pinned, BURNER, PROBE)) == {
        "format": "steamround-problem/1",
        "minute_zero": "2027-03-01T00:00:00Z",
        "places": [
            {"id": "home", "lat": 54.1, "lon": -3.2},
            {"id": "mill"},
            {"id": "quay"},
            {"id": "fell"},
        ],
        "travel_minutes": [[0, 10, 20, 30], [12, 0, 5, 25], [18, 7, 0, 15], [40, 25, 14, 0]],
        "shifts": [
            {
                "id": "ann/mon",
                "technician": "ann",
                "start_place": 0,
                "end_place": 0,
                "start": 480,
                "end": 720,
                "skills": ["gas"],
                "break": {"minutes": 30, "earliest": 560, "latest": 660},
            },
            {
                "id": "bo/mon",
                "technician": "bo",
                "start_place": 0,
                "end_place": 0,
                "start": 480,
                "end": 600,
                "skills": [],
            },
        ],
        "visits": [
            {
                "id": "valves",
                "place": 1,
                "minutes": 60,
                "skills": [],
                "start_windows": [[480, 540], [600, 700]],
                "leave_out_cost": 300,
                "pinned": {"shift": "bo/mon", "start": 500},
            },
            {
                "id": "burner",
                "place": 2,
                "minutes": 45,
                "skills": ["gas"],
                "start_windows": [[480, 720]],
                "leave_out_cost": 200,
            },
            {
                "id": "probe",
                "place": 3,
                "minutes": 20,
                "skills": [],
                "start_windows": [[500, 560]],
                "leave_out_cost": 100,
                "shift_costs": {"bo/mon": 7},
            },
        ],
    }


@given(problems(people=True, sites=True, supplies=True, charges=tuple(Charge)))
def test_problem_comes_back_from_json_unchanged(problem: Problem) -> None:
    assert problem_from_json(json.loads(json.dumps(problem_to_json(problem)))) == problem


@pytest.mark.parametrize("name", ["problem.json", "problem.json.gz"])
def test_problem_comes_back_from_a_file_unchanged(tmp_path: Path, name: str) -> None:
    write_problem(world(), tmp_path / name)
    assert read_problem(tmp_path / name) == world()


def test_packed_file_is_packed_and_the_same_every_time(tmp_path: Path) -> None:
    write_problem(world(), tmp_path / "a.json.gz")
    write_problem(world(), tmp_path / "b.json.gz")
    packed = (tmp_path / "a.json.gz").read_bytes()
    assert json.loads(gzip.decompress(packed)) == document()
    assert (tmp_path / "b.json.gz").read_bytes() == packed


def test_problem_keeps_a_read_only_copy_of_the_travel() -> None:
    given_travel = np.zeros((4, 4), dtype=np.int32)
    problem = replace(world(), travel_minutes=given_travel)
    given_travel[0, 1] = 99
    assert problem.travel_minutes[0, 1] == 0
    with pytest.raises(ValueError, match="read-only"):
        problem.travel_minutes[0, 1] = 99


def test_minute_zero_is_kept_in_utc() -> None:
    summer = timezone(timedelta(hours=2))
    problem = replace(world(), minute_zero=datetime(2027, 3, 1, 2, tzinfo=summer))
    assert problem.minute_zero == datetime(2027, 3, 1, tzinfo=UTC)
    assert problem.minute_zero.tzinfo is UTC


def test_windows_are_sorted_and_merged() -> None:
    visit = replace(VALVES, start_windows=((600, 700), (480, 500), (500, 540), (650, 660)))
    assert visit.start_windows == ((480, 540), (600, 700))


def test_a_problem_without_visits_shifts_or_places_is_sound() -> None:
    empty = {
        "format": "steamround-problem/1",
        "minute_zero": "2027-03-01T00:00:00Z",
        "places": [],
        "travel_minutes": [],
        "shifts": [],
        "visits": [],
    }
    assert problem_to_json(problem_from_json(empty)) == empty


def test_every_flaw_of_a_file_is_listed() -> None:
    wrong = document()
    wrong["minute_zero"] = "2027-03-01T00:00:00"
    wrong["places"][1]["lat"] = 154
    wrong["travel_minutes"][2][1] = -7
    wrong["shifts"][0]["break"]["minutes"] = 300
    wrong["shifts"][1]["end"] = 470
    wrong["visits"][0]["minutes"] = "sixty"
    wrong["visits"][0]["start_windows"] = [[540, 480]]
    wrong["visits"][1]["leave_out_cost"] = -1
    wrong["visits"][2]["id"] = ""
    del wrong["visits"][2]["start_windows"]
    assert flaws_of(wrong) == [
        'minute_zero: must carry its offset from UTC (Z), got "2027-03-01T00:00:00"',
        "places[1].lat: and lon must both be given or neither",
        "shifts[0].break.latest: must be at least 300 minutes after earliest 560, got 660",
        "shifts[1].end: must not be before start 480, got 470",
        'visits[0].minutes: must be a whole number, got "sixty"',
        "visits[0].start_windows[0]: must not end before it begins, got [540, 480]",
        "visits[1].leave_out_cost: must be a cost from 0 to 1000000000, got -1",
        "visits[2].start_windows: is missing; add it",
        "visits[2].id: must not be empty",
        "travel_minutes[2][1]: must be from 0 to 10000000 minutes, got -7",
    ]


def test_a_balance_that_makes_driving_about_pay_is_refused() -> None:
    # Half an hour short of the usual day at 8: a minute more saves 8 * 2 * 30 / 3600 minutes, and
    # at most 2 * 8 * 225 / 3600 = 1.
    even = document() | {"balance": 8}
    even["shifts"][0]["usual_minutes"] = 225
    assert problem_from_json(even).shifts[0].usual_minutes == 225
    even["shifts"][0]["usual_minutes"] = 226
    assert flaws_of(even) == [
        "shifts[0].usual_minutes: must be at most 225 at a balance of 8, or driving about would "
        "pay on a short day; got 226"
    ]


def test_parts_that_do_not_fit_each_other_are_listed() -> None:
    wrong = document()
    wrong["shifts"][1]["id"] = "ann/mon"
    wrong["shifts"][1]["start_place"] = -1
    wrong["visits"][0]["place"] = 4
    wrong["visits"][1]["pinned"] = {"shift": "cy/mon", "start": 500}
    wrong["visits"][2]["shift_costs"] = {"cy/mon": 3}
    wrong["travel_minutes"].pop()
    wrong["travel_minutes"] = [row[:3] for row in wrong["travel_minutes"]]
    assert flaws_of(wrong) == [
        "shifts[1].id: must be unique, but 'ann/mon' is also shifts[0]",
        "travel_minutes: must have one row and one column for each of 4 places, got shape (3, 3)",
        "shifts[1].start_place: must be the index of one of 4 places, got -1",
        "visits[0].place: must be the index of one of 4 places, got 4",
        "visits[1].pinned.shift: names no shift of this problem, got 'cy/mon'",
        "visits[2].shift_costs.cy/mon: names no shift of this problem",
    ]


@pytest.mark.parametrize(
    ("value", "flaws"),
    [
        ([1, 2], ["document: must be an object {...}, got [1, 2]"]),
        (None, ["document: must be an object {...}, got null"]),
        (
            {"format": "steamround-problem/2"},
            [
                'format: must be "steamround-problem/1", got "steamround-problem/2"',
                "minute_zero: is missing; add it",
                "places: is missing; add it",
                "shifts: is missing; add it",
                "visits: is missing; add it",
                "travel_minutes: is missing; add it",
            ],
        ),
    ],
)
def test_what_is_no_problem_at_all_is_refused(value: object, flaws: list[str]) -> None:
    assert flaws_of(value) == flaws


@pytest.mark.parametrize(
    ("rows", "flaw"),
    [
        ([[0, 1], [1]], "travel_minutes[1]: must be 2 whole numbers, got 1"),
        ([[0, 1], 5], "travel_minutes[1]: must be 2 whole numbers, got 5"),
        ([[0, 1.5], [1, 0]], "travel_minutes[0][1]: must be a whole number of minutes, got 1.5"),
        ([[0, True], [1, 0]], "travel_minutes[0][1]: must be a whole number of minutes, got true"),
        ([[0, None], [1, 0]], "travel_minutes[0][1]: must be a whole number of minutes, got null"),
        (
            [[0, 10**20], [1, 0]],
            "travel_minutes[0][1]: must be from 0 to 10000000 minutes, got 100000000000000000000",
        ),
    ],
)
def test_bad_travel_is_named_by_row_and_column(rows: object, flaw: str) -> None:
    small = document()
    small["places"] = small["places"][:2]
    small["visits"] = []
    small["travel_minutes"] = rows
    assert flaws_of(small) == [flaw]


@pytest.mark.parametrize(
    ("content", "flaw"),
    [
        (b'{"format": ', Flaw(path="line 1", message="column 12 is not JSON: Expecting value")),
        (
            gzip.compress(b"{}" * 100, mtime=0)[:-9],
            Flaw(
                path="document",
                message="cannot be unpacked or decoded (Compressed file ended before the "
                "end-of-stream marker was reached); is the file whole?",
            ),
        ),
    ],
)
def test_a_broken_file_is_refused(tmp_path: Path, content: bytes, flaw: Flaw) -> None:
    path = tmp_path / "problem.json"
    path.write_bytes(content)
    with pytest.raises(InvalidProblem) as caught:
        read_problem(path)
    assert caught.value.flaws == (flaw,)


def test_keys_of_later_versions_are_passed_over_and_named() -> None:
    later = document()
    later["currency"] = "EUR"
    later["visits"][0]["noise"] = ["drill"]
    later["visits"][2]["noise"] = []
    later["shifts"][0]["break"]["paid"] = True
    assert problem_from_json(later) == world()
    assert unread_keys(later) == ("currency", "shifts[].break.paid", "visits[].noise")
    assert unread_keys(document()) == ()


def refused(problem_visits: tuple[Visit, ...]) -> list[str]:
    with pytest.raises(InvalidProblem) as caught:
        world(*problem_visits)
    return [str(flaw) for flaw in caught.value.flaws]


def test_a_pin_against_window_shift_or_skill_is_refused() -> None:
    # Bo's shift ends at 600 and burner lasts 45 minutes; it needs gas, which Bo lacks.
    late = replace(BURNER, pinned=Pin(shift="bo/mon", start=560))
    closed = replace(VALVES, pinned=Pin(shift="ann/mon", start=590))
    assert refused((late, closed)) == [
        "visits[0].pinned.start: must keep the visit inside the shift [480, 600], got [560, 605]",
        "visits[0].pinned.shift: must have the visit's skills, but 'bo/mon' lacks gas",
        "visits[1].pinned.start: must lie in one of the visit's start_windows, got 590; "
        "add [590, 590] to them or lift the pin",
    ]


def test_pins_that_leave_no_time_for_the_journey_are_refused() -> None:
    # valves 490-550 at the mill, 5 minutes to quay: burner could start at 555
    valves = replace(VALVES, pinned=Pin(shift="ann/mon", start=490))
    burner = replace(BURNER, pinned=Pin(shift="ann/mon", start=554))
    assert refused((burner, valves)) == [
        "visits[0].pinned: cannot be kept: 5 minutes of travel between visits[1] and visits[0], "
        "but 4 minutes for it; move or lift one pin"
    ]


def test_a_pin_too_close_to_the_ends_of_the_shift_is_refused() -> None:
    # Fell is 30 minutes from home and 40 back: Bo can start there from 510 to 540.
    assert refused((replace(PROBE, pinned=Pin(shift="bo/mon", start=509)),)) == [
        "visits[0].pinned: cannot be kept: 30 minutes of travel between the start of the shift "
        "and visits[0], but 29 minutes for it; move or lift one pin"
    ]
    assert refused((replace(PROBE, pinned=Pin(shift="bo/mon", start=541)),)) == [
        "visits[0].pinned: cannot be kept: 40 minutes of travel between visits[0] and the end "
        "of the shift, but 39 minutes for it; move or lift one pin"
    ]


def test_pins_that_leave_no_room_for_the_break_are_refused() -> None:
    # 550 to 640 is free of work, but 5 minutes of travel and a break of 30 need a start by 630:
    # a burner of 80 minutes from 580 leaves 550-580 before it, 25 without the journey, and after
    # its end at 660 the break may no more be taken.
    valves = replace(VALVES, pinned=Pin(shift="ann/mon", start=490))
    burner = replace(BURNER, minutes=80, pinned=Pin(shift="ann/mon", start=580))
    assert refused((valves, burner)) == [
        "visits[0].pinned: and the other pinned visits of shift 'ann/mon' leave no room for its "
        "break of 30 minutes in [560, 660]; lift one pin"
    ]


def test_a_break_that_does_not_fit_its_shift_is_refused() -> None:
    # [560, 660] within [480, 580] leaves 20 minutes for a break of 30.
    with pytest.raises(InvalidProblem) as caught:
        replace(ANN, end=580)
    assert [str(flaw) for flaw in caught.value.flaws] == [
        "break: needs 30 minutes of [560, 660] inside the shift [480, 580], which leaves 20; "
        "move it or drop it"
    ]


def test_parts_check_themselves() -> None:
    with pytest.raises(InvalidProblem, match=r"minutes: must be > 0, got 0"):
        Pause(minutes=0, earliest=0, latest=10)
    with pytest.raises(InvalidProblem, match=r"minutes: must be from 0 to 10000000, got -1"):
        replace(VALVES, minutes=-1)
    with pytest.raises(InvalidProblem, match=r"shift_costs\.bo/mon: must be a cost from 0"):
        replace(VALVES, shift_costs={"bo/mon": -2})
    with pytest.raises(InvalidProblem, match=r"minute_zero: must carry its offset from UTC"):
        replace(world(), minute_zero=datetime(2027, 3, 1))  # noqa: DTZ001 - that is the fault
