"""Calibration: drives whose true factors are known give them back."""

import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from scheduler.calibration import Calibration, calibrate
from scheduler.drives import Drive
from scheduler.places import Coordinates
from scheduler.travel import USUAL_SPEEDS, SpeedBand, StraightLineTravel
from scheduler.waters import Barrier, Crossing

USUAL = StraightLineTravel()
BEGUN = datetime(2027, 1, 4, 8, tzinfo=UTC)

# what a slow town and quick country roads would be: 28 / 1.18, 45 / 1.1, 70, 90 / 0.9 km/h
TRUE_FACTORS = (1.18, 1.1, 1.0, 0.9)
TRUE_STOP_MINUTES = 6.0
TRUE = replace(
    USUAL,
    stop_minutes=TRUE_STOP_MINUTES,
    speeds=tuple(
        SpeedBand(from_km=band.from_km, km_per_hour=band.km_per_hour / factor)
        for band, factor in zip(USUAL_SPEEDS, TRUE_FACTORS, strict=True)
    ),
)


def at(lat: float, lon: float) -> Coordinates:
    return Coordinates(lat=lat, lon=lon)


def drive(number: int, origin: Coordinates, target: Coordinates, minutes: float) -> Drive:
    return Drive(
        appointment=f"ap{number}",
        technician="t1",
        origin=origin,
        target=target,
        arrived_at=BEGUN + timedelta(hours=number),
        minutes=minutes,
    )


def simulated(count: int, *, seed: int, noise: float = 0.15, errands: float = 0.1) -> list[Drive]:
    """Drives of 1 to 90 km: true minutes, lognormal traffic, some errands of up to an hour."""
    random = np.random.default_rng(seed)
    drives = []
    for number in range(count):
        km = float(np.exp(random.uniform(np.log(1), np.log(90)))) / 1.3
        bearing = random.uniform(0, 2 * np.pi)
        origin = at(45 + random.uniform(-0.2, 0.2), random.uniform(-0.2, 0.2))
        degrees = km / 111.195
        target = at(
            origin.lat + degrees * np.cos(bearing),
            origin.lon + degrees * np.sin(bearing) / np.cos(np.radians(origin.lat)),
        )
        road_km = km * 1.3
        minutes = TRUE_STOP_MINUTES
        for band, end_km in zip(TRUE.speeds, (4, 15, 50, 1000), strict=True):
            minutes += max(min(road_km, end_km) - band.from_km, 0) / band.km_per_hour * 60
        minutes *= float(np.exp(random.normal(0, noise)))
        if random.random() < errands:
            minutes += random.uniform(10, 60)
        drives.append(drive(number, origin, target, round(minutes)))
    return drives


def factors(calibration: Calibration | None) -> list[float]:
    assert calibration is not None
    return [band.factor for band in calibration.bands]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_true_factors_are_recovered_through_traffic_and_errands(seed: int) -> None:
    found = calibrate(simulated(2000, seed=seed), USUAL)
    assert found is not None
    assert factors(found) == pytest.approx(TRUE_FACTORS, abs=0.13)
    assert found.stop_minutes == pytest.approx(TRUE_STOP_MINUTES, abs=1.0)
    # and the minutes that follow from them, which is what planning needs, are within 4 %
    town, country = at(45, 0), [at(45.02, 0), at(45.1, 0), at(45.3, 0), at(45.6, 0)]
    ours = replace(USUAL, speeds=found.speeds, stop_minutes=found.stop_minutes)
    assert ours.between([town, *country]).minutes[0, 1:] == pytest.approx(
        TRUE.between([town, *country]).minutes[0, 1:], rel=0.04, abs=1
    )
    assert found.error_minutes < found.usual_error_minutes


def test_exact_drives_give_exact_factors_but_for_the_pull_of_the_usual() -> None:
    found = calibrate(simulated(1000, seed=5, noise=0.0, errands=0.0), USUAL)
    assert found is not None
    assert found.drives == 1000
    # drives of 50 km and more: one in five; 200 / (200 + 20) of the way from 1 to 0.9 is 0.91
    expected = [
        1 + band.drives / (band.drives + 20) * (true - 1)
        for band, true in zip(found.bands, TRUE_FACTORS, strict=True)
    ]
    assert factors(found) == pytest.approx(expected, abs=0.02)


def test_few_drives_move_the_estimate_little_and_none_not_at_all() -> None:
    assert calibrate([], USUAL) is None
    # one drive of 2 km at half the usual speed: 1 / 21 of the way
    few = calibrate([drive(1, at(45, 0), at(45 + 2 / 111.195, 0), 16)], USUAL)
    assert few is not None
    assert few.drives == 1
    assert all(abs(factor - 1) < 0.11 for factor in factors(few))
    assert abs(few.stop_minutes - 4) < 1


def test_bands_nobody_drove_in_keep_what_is_usual() -> None:
    short = [each for each in simulated(400, seed=4) if each.minutes < 12]
    found = calibrate(short, USUAL)
    assert found is not None
    assert [band.drives for band in found.bands][2:] == [0, 0]
    assert factors(found)[2:] == [1, 1]


def test_speeds_still_ascend_where_drives_say_otherwise() -> None:
    # the longer, the slower: the estimate would be refused with descending speeds
    random = np.random.default_rng(3)
    drives = [
        drive(n, at(45, 0), at(45 + km / 1.3 / 111.195, 0), 4 + km / 40 * 60)
        for n, km in enumerate(random.uniform(1, 80, 300))
    ]
    found = calibrate(drives, USUAL)
    assert found is not None
    replace(USUAL, speeds=found.speeds, stop_minutes=found.stop_minutes)
    assert found.error_minutes < 2


def test_odd_drives_are_told_and_not_counted() -> None:
    drives = simulated(300, seed=6, errands=0.0)
    far = drive(900, at(45, 0), at(45.02, 0), 200.0)
    quick = drive(901, at(45, 0), at(46, 0), 5.0)
    found = calibrate([*drives, far, quick], USUAL)
    assert found is not None
    assert [each.drive.appointment for each in found.odd] == ["ap900", "ap901"]
    assert 10 < found.odd[0].expected_minutes < 20
    assert factors(found) == factors(calibrate(drives, USUAL))


def test_ferries_and_islands_say_nothing_about_roads() -> None:
    ferry = Crossing(name="f", one_end=at(45, -0.01), other_end=at(45, 0.01), ferry_minutes=20)
    sound = Barrier(name="sound", line=(at(46, 0), at(44, 0)), crossings=(ferry,))
    sea = Barrier(name="sea", line=(at(46, 2), at(44, 2)))
    usual = replace(USUAL, barriers=(sound, sea))
    over = drive(1, at(45, -0.1), at(45, 0.1), 60)
    nowhere = drive(2, at(45, 1.9), at(45, 2.1), 60)
    assert calibrate([over, nowhere], usual) is None
    found = calibrate([over, nowhere, drive(3, at(45, 0.2), at(45, 0.3), 20)], usual)
    assert found is not None
    assert (found.drives, found.by_ferry, found.odd) == (1, 2, ())


def test_only_the_latest_drives_are_looked_at_and_soon() -> None:
    old = [replace(each, minutes=each.minutes * 2) for each in simulated(300, seed=7)]
    new = simulated(2000, seed=8)
    started = time.process_time()
    found = calibrate([*old, *new], USUAL)
    assert time.process_time() - started < 3
    assert found == calibrate(new, USUAL)
