"""Recorded drives → how fast this company really drives.

The estimate of :class:`~scheduler.travel.StraightLineTravel` has a pace for each band of distance
and some minutes for parking. Both are fitted to the drives by least absolute deviations, which one
errand in five does not upset, and drawn towards the usual values where drives are few.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.sparse import csr_array, hstack, identity

from scheduler.drives import Drive
from scheduler.places import as_array
from scheduler.travel import SpeedBand, StraightLineTravel

Floats = NDArray[np.float64]

MOST_DRIVES = 2_000
"""The latest drives are used, at most so many: more would not change the fit."""

DRIVES_WORTH_THE_USUAL = 20
"""How many drives in a band weigh as much as what is usual: common practice, no source."""

_LEAST_FACTOR, _MOST_FACTOR = 0.4, 3.0
_MOST_STOP_MINUTES = 20.0
_ODD_FACTOR, _ODD_MINUTES = 3.0, 15.0
_ROWS_AT_ONCE = 256


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibratedBand:
    """A band of distance by road, from ``from_km`` on.

    ``factor`` 1.18 means that a kilometre takes 18 % longer than is usual; ``drives`` is how many
    drives went that far.
    """

    from_km: float
    km_per_hour: float
    factor: float
    drives: int


@dataclass(frozen=True, slots=True, kw_only=True)
class OddDrive:
    """A drive that took far more or less than its like; not counted."""

    drive: Drive
    expected_minutes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """What drives say about the estimate.

    Attributes
    ----------
    drives
        How many were counted.
    by_ferry, odd
        Drives that were not.
    stop_minutes
        For parking and walking.
    usual_error_minutes, error_minutes
        How far half of the drives were off at most, estimated as is usual and as calibrated.
    """

    drives: int
    by_ferry: int
    odd: tuple[OddDrive, ...]
    stop_minutes: float
    bands: tuple[CalibratedBand, ...]
    usual_error_minutes: float
    error_minutes: float

    @property
    def speeds(self) -> tuple[SpeedBand, ...]:
        """Return the bands as the estimate takes them."""
        return tuple(
            SpeedBand(from_km=band.from_km, km_per_hour=band.km_per_hour) for band in self.bands
        )


def calibrate(drives: Sequence[Drive], usual: StraightLineTravel) -> Calibration | None:
    """Fit the estimate to recorded drives; None when there is not one to count.

    Parameters
    ----------
    drives
        In order of time; the last `MOST_DRIVES` are looked at.
    usual
        What holds without drives. Its waters are driven round, its circuity stays.
    """
    recent = drives[-MOST_DRIVES:]
    road_metres, ferry = _roads(recent, usual)
    driven = np.where(np.isfinite(road_metres), road_metres, 0.0)
    design = np.column_stack([np.ones(len(recent)), usual.minutes_by_band(driven)])
    taken = np.array([drive.minutes for drive in recent])
    prior = np.array([float(usual.stop_minutes), *np.ones(len(usual.speeds))])
    by_road = np.isfinite(road_metres) & ~ferry
    counted = by_road & _alike(taken, design @ prior)
    if not counted.any():
        return None
    for _ in range(2):  # what is odd shows only once the ordinary is known
        fitted = _fitted(design[counted], taken[counted], prior, usual.speeds)
        counted = by_road & _alike(taken, design @ fitted)
        if not counted.any():
            return None
    fitted = _fitted(design[counted], taken[counted], prior, usual.speeds)
    expected = design @ fitted
    return Calibration(
        drives=int(counted.sum()),
        by_ferry=int((~by_road).sum()),
        odd=tuple(
            OddDrive(drive=recent[at], expected_minutes=round(float(expected[at]), 1))
            for at in np.flatnonzero(by_road & ~counted).tolist()
        ),
        stop_minutes=float(fitted[0]),
        bands=tuple(
            CalibratedBand(
                from_km=band.from_km,
                km_per_hour=float(band.km_per_hour / factor),
                factor=float(factor),
                drives=int((design[counted, 1 + at] > 0).sum()),
            )
            for at, (band, factor) in enumerate(zip(usual.speeds, fitted[1:], strict=True))
        ),
        usual_error_minutes=float(np.median(np.abs(design @ prior - taken)[counted])),
        error_minutes=float(np.median(np.abs(expected - taken)[counted])),
    )


def least_absolute(
    design: Floats,
    observed: Floats,
    *,
    bounds: Sequence[tuple[float | None, float | None]] | None = None,
    at_most: Floats | None = None,
) -> Floats:
    """Return the coefficients with the least sum of absolute deviations.

    Solved as the linear program of Charnes, Cooper and Ferguson (Management Science 1, 1955).

    Parameters
    ----------
    design, observed
        Shapes (n, k) and (n,).
    bounds
        Least and most of each coefficient.
    at_most
        Shape (m, k): combinations of the coefficients that may not exceed 0.
    """
    n, k = design.shape
    eye = identity(n, format="csr")
    limits = (
        None if at_most is None else hstack([csr_array(at_most), csr_array((len(at_most), 2 * n))])
    )
    answer = linprog(
        np.concatenate([np.zeros(k), np.ones(2 * n)]),
        A_eq=hstack([csr_array(design), eye, -eye]),
        b_eq=observed,
        A_ub=limits,
        b_ub=None if at_most is None else np.zeros(len(at_most)),
        bounds=[*(bounds or [(None, None)] * k), *[(0, None)] * (2 * n)],
        method="highs",
    )
    assert answer.success, f"deviations can always be made up for: {answer.message}"
    coefficients: Floats = answer.x[:k]
    return coefficients


def _fitted(design: Floats, taken: Floats, prior: Floats, speeds: Sequence[SpeedBand]) -> Floats:
    """Return stop minutes and factors, drawn towards the prior by how few drives there are."""
    # a band nobody drove in has a column of zeros: a faint pull keeps it where it was
    pull = 1e-3 * np.diag(np.maximum(np.abs(design).mean(axis=0), 1e-3))
    pace = np.array([60 / band.km_per_hour for band in speeds])
    slower_first = np.zeros((len(speeds) - 1, len(prior)))
    for at, (inner, outer) in enumerate(pairwise(pace)):
        slower_first[at, 1 + at], slower_first[at, 2 + at] = -inner, outer
    found = least_absolute(
        np.vstack([design, pull]),
        np.concatenate([taken, pull @ prior]),
        bounds=[(0, _MOST_STOP_MINUTES), *[(_LEAST_FACTOR, _MOST_FACTOR)] * len(speeds)],
        at_most=slower_first,
    )
    drives = (design > 0).sum(axis=0)
    drawn: Floats = prior + drives / (drives + DRIVES_WORTH_THE_USUAL) * (found - prior)
    for at, (inner, outer) in enumerate(pairwise(pace)):
        drawn[2 + at] = min(drawn[2 + at], drawn[1 + at] * inner / outer)
    return drawn


def _alike(taken: Floats, expected: Floats) -> NDArray[np.bool_]:
    alike: NDArray[np.bool_] = (taken <= expected * _ODD_FACTOR + _ODD_MINUTES) & (
        taken >= (expected - _ODD_MINUTES) / _ODD_FACTOR
    )
    return alike


def _roads(drives: Sequence[Drive], usual: StraightLineTravel) -> tuple[Floats, NDArray[np.bool_]]:
    """Return the road metres of each drive, infinite without a way, and whether by ferry."""
    places = sorted(
        {place for drive in drives for place in (drive.origin, drive.target)},
        key=lambda place: (place.lat, place.lon),
    )
    number = {place: at for at, place in enumerate(places)}
    ends = np.array([sorted((number[d.origin], number[d.target])) for d in drives]).reshape(-1, 2)
    metres, ferry = np.full(len(drives), np.inf), np.zeros(len(drives), dtype=np.bool_)
    finder = usual.way_finder(as_array(places))
    for start in range(0, len(places), _ROWS_AT_ONCE):
        stop = min(start + _ROWS_AT_ONCE, len(places))
        here = np.flatnonzero((ends[:, 1] >= start) & (ends[:, 1] < stop))
        if len(here):
            ways = finder.rows(start, stop)
            row, column = ends[here, 1] - start, ends[here, 0]
            metres[here] = ways.straight_metres[row, column] * usual.circuity
            ferry[here] = ways.ferry_minutes[row, column] > 0
    return metres, ferry
