"""From arrivals and departures to drives."""

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta

import pytest

from scheduler.drives import Drive, Driver, PassedOver, Stay, drives_between
from scheduler.places import Coordinates

HOME = Coordinates(lat=45.0, lon=0.0)
MILL = Coordinates(lat=45.1, lon=0.0)
QUAY = Coordinates(lat=45.2, lon=0.0)
ANN = Driver(
    id="ann",
    home=HOME,
    zone="Europe/Paris",
    break_minutes=30,
    break_earliest=time(11, 30),
    break_latest=time(14, 0),
)
MINUTE = timedelta(minutes=1)


def paris(hour: int, minute: int = 0, *, day: int = 22) -> datetime:
    """A wall-clock time in March 2027, before the clocks change: UTC is one hour less."""
    return datetime(2027, 3, day, hour - 1, minute, tzinfo=UTC)


def stay(
    name: str,
    where: Coordinates,
    arrived: datetime,
    left: datetime | None,
    *,
    planned: datetime | None = None,
    set_out: datetime | None = None,
) -> Stay:
    return Stay(
        appointment=name,
        technician="ann",
        at=where,
        planned_start=planned or arrived - 10 * MINUTE,
        arrived_at=arrived,
        left_at=left,
        set_out_at=set_out,
    )


FIRST = stay("a1", MILL, paris(8), paris(9))
SECOND = stay("a2", QUAY, paris(9, 25), paris(10))


def found(*stays: Stay) -> tuple[list[tuple[str, Coordinates, float]], dict[PassedOver, int]]:
    driven = drives_between(stays, {"ann": ANN})
    return (
        [(drive.appointment, drive.origin, drive.minutes) for drive in driven.drives],
        dict(driven.passed_over),
    )


def test_a_drive_lies_between_two_stays_of_a_day() -> None:
    assert drives_between([SECOND, FIRST], {"ann": ANN}).drives == (
        Drive(
            appointment="a2",
            technician="ann",
            origin=MILL,
            target=QUAY,
            arrived_at=paris(9, 25),
            minutes=25,
        ),
    )


def test_the_first_drive_of_the_day_is_known_when_it_is_told() -> None:
    assert found(replace(FIRST, set_out_at=paris(7, 40))) == ([("a1", HOME, 20)], {})


def test_what_is_told_counts_more_than_when_the_site_before_was_left() -> None:
    # ten minutes for the paperwork in the car
    assert found(FIRST, replace(SECOND, set_out_at=paris(9, 10))) == ([("a2", MILL, 15)], {})


def test_nothing_is_driven_over_night() -> None:
    assert found(FIRST, stay("a2", QUAY, paris(8, day=23), None)) == ([], {})


def test_someone_nobody_knows_is_passed_over() -> None:
    assert found(FIRST, replace(SECOND, technician="bob")) == ([], {})


@pytest.mark.parametrize(
    ("second", "why"),
    [
        pytest.param(stay("a2", QUAY, paris(11, 31), None), PassedOver.BREAK, id="into the break"),
        pytest.param(
            replace(SECOND, planned_start=paris(9, 27)), PassedOver.WAITED, id="on the minute"
        ),
        pytest.param(stay("a2", MILL, paris(9, 25), None), PassedOver.SAME_PLACE, id="next door"),
        pytest.param(
            replace(SECOND, set_out_at=paris(9, 25)), PassedOver.BACKWARDS, id="no time at all"
        ),
        pytest.param(
            replace(SECOND, set_out_at=paris(8, 50)), PassedOver.BACKWARDS, id="still at work"
        ),
        pytest.param(
            replace(SECOND, by_workshop=True), PassedOver.BY_WORKSHOP, id="over the workshop"
        ),
    ],
)
def test_gaps_that_may_be_more_or_less_than_a_drive_are_passed_over(
    second: Stay, why: PassedOver
) -> None:
    assert found(FIRST, second) == ([], {why: 1})


def test_a_site_nobody_said_when_they_left_is_no_beginning() -> None:
    assert found(replace(FIRST, left_at=None), SECOND) == ([], {PassedOver.NOT_SAID: 1})


def test_someone_without_a_break_has_drives_at_noon() -> None:
    noon = stay("a2", QUAY, paris(12, 20), None)
    before = replace(FIRST, left_at=paris(12))
    driven = drives_between([before, noon], {"ann": replace(ANN, break_minutes=0)})
    assert [drive.minutes for drive in driven.drives] == [20]


def test_the_break_is_counted_by_the_wall_clock_when_clocks_change() -> None:
    # 29 March 2027 is summer time: 11:35 in Paris is 09:35 UTC
    before = stay(
        "a1", MILL, datetime(2027, 3, 29, 8, tzinfo=UTC), datetime(2027, 3, 29, 9, tzinfo=UTC)
    )
    after = stay("a2", QUAY, datetime(2027, 3, 29, 9, 35, tzinfo=UTC), None)
    assert found(before, after) == ([], {PassedOver.BREAK: 1})
