"""The rounds of one day as a picture: a map, a timeline and the load of the days around it.

One HTML file with inline SVG; it needs no network and prints on one sheet.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from math import ceil, cos, floor, radians
from typing import Any
from zoneinfo import ZoneInfo

from api.pages.templates import template
from api.storage.rounds import DayRound, RoundStop
from scheduler.places import Coordinates, as_array, great_circle_metres
from scheduler.waters import Barrier, Crossing

# Okabe and Ito (2008): eight colours that people with any colour vision tell apart
_INKS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00", "#000000", "#8a7f00")

_MAP_WIDTH = 760.0
_MARGIN = 28.0
_HOUR_WIDTH = 62.0
_ROW_HEIGHT = 34.0
_LONGEST_BRIDGE_METRES = 6_000.0
"""A longer crossing is the road round the head of a water: no line to draw."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundsPicture:
    """What the picture shows.

    ``rounds`` are those of ``day``; ``around`` those of all days whose load is shown. ``note`` is a
    sentence on top, ``credit`` says where the places come from.
    """

    company: str
    day: date
    rounds: Sequence[DayRound]
    around: Sequence[DayRound]
    waters: Sequence[Barrier]
    note: str
    credit: str


def draw_rounds(picture: RoundsPicture) -> str:
    """Return the picture as one HTML document."""
    names = sorted({(each.name, each.technician) for each in (*picture.rounds, *picture.around)})
    inks = {person: _INKS[at % len(_INKS)] for at, (_, person) in enumerate(names)}
    return template("rounds_picture.html").render(
        picture=picture,
        map=_map(picture, inks),
        timeline=_timeline(picture, inks),
        load=_load(picture, inks),
        legend=[
            {"name": each.name, "ink": inks[each.technician], "stops": len(each.stops)}
            for each in picture.rounds
        ],
        rounds=[_listed(each, inks[each.technician]) for each in picture.rounds],
    )


class _Projection:
    """Degrees to pixels: equirectangular, true to scale at the middle of what is shown."""

    def __init__(self, points: Sequence[tuple[float, float]]) -> None:
        lats, lons = zip(*points, strict=True)
        self._north, self._west = max(lats), min(lons)
        self._squeeze = cos(radians((max(lats) + min(lats)) / 2))
        span = max((max(lons) - self._west) * self._squeeze, 0.02)
        self._scale = (_MAP_WIDTH - 2 * _MARGIN) / span
        self.height = 2 * _MARGIN + max(self._north - min(lats), 0.02) * self._scale

    def at(self, lat: float, lon: float) -> tuple[float, float]:
        x = _MARGIN + (lon - self._west) * self._squeeze * self._scale
        y = _MARGIN + (self._north - lat) * self._scale
        return round(x, 1), round(y, 1)

    def line(self, points: Sequence[Coordinates]) -> str:
        return " ".join("{},{}".format(*self.at(point.lat, point.lon)) for point in points)


def _map(picture: RoundsPicture, inks: dict[str, str]) -> dict[str, Any]:
    shown = [each.home for each in picture.rounds]
    shown += [(stop.lat, stop.lon) for each in picture.rounds for stop in each.stops]
    if not shown:
        shown = [(point.lat, point.lon) for water in picture.waters for point in water.line]
    if not shown:
        shown = [(0.0, 0.0)]
    projection = _Projection(shown)
    return {
        "width": _MAP_WIDTH,
        "height": round(projection.height, 1),
        "waters": [
            {"name": water.name, "points": projection.line(water.line)} for water in picture.waters
        ],
        "crossings": [
            {
                "name": crossing.name,
                "points": projection.line((crossing.one_end, crossing.other_end)),
                "ferry": crossing.ferry_minutes > 0,
            }
            for water in picture.waters
            for crossing in water.crossings
            if crossing.ferry_minutes or _length_metres(crossing) < _LONGEST_BRIDGE_METRES
        ],
        "routes": [
            {
                "ink": inks[each.technician],
                "home": projection.at(*each.home),
                "name": each.name,
                "points": " ".join(
                    "{},{}".format(*projection.at(*point))
                    for point in (
                        each.home,
                        *((stop.lat, stop.lon) for stop in each.stops),
                        each.home,
                    )
                ),
                "stops": [
                    {
                        "at": projection.at(stop.lat, stop.lon),
                        "number": number,
                        "urgent": stop.urgent,
                        "title": _title(stop, each.zone),
                    }
                    for number, stop in enumerate(each.stops, start=1)
                ],
            }
            for each in picture.rounds
        ],
    }


def _length_metres(crossing: Crossing) -> float:
    ends = as_array([crossing.one_end, crossing.other_end])
    return float(great_circle_metres(ends[:1], ends[1:])[0, 0])


def _timeline(picture: RoundsPicture, inks: dict[str, str]) -> dict[str, Any]:
    clocks = [
        _hour(moment, each)
        for each in picture.rounds
        for stop in each.stops
        for moment in (stop.sets_out_at, stop.ends_at)
    ]
    first = floor(min(clocks, default=8.0))
    last = max(ceil(max(clocks, default=17.0)), first + 1)
    return {
        "width": 150 + (last - first) * _HOUR_WIDTH + 24,
        "height": 26 + _ROW_HEIGHT * max(len(picture.rounds), 1),
        "hours": [
            {"label": f"{hour % 24}:00", "x": 150 + (hour - first) * _HOUR_WIDTH}
            for hour in range(first, last + 1)
        ],
        "rows": [
            {
                "name": each.name,
                "y": 26 + row * _ROW_HEIGHT,
                "ink": inks[each.technician],
                "blocks": [_block(stop, each, first) for stop in each.stops],
            }
            for row, each in enumerate(picture.rounds)
        ],
    }


def _block(stop: RoundStop, day_round: DayRound, first_hour: int) -> dict[str, Any]:
    start = 150 + (_hour(stop.starts_at, day_round) - first_hour) * _HOUR_WIDTH
    drive = (stop.starts_at - stop.sets_out_at) / timedelta(hours=1) * _HOUR_WIDTH
    return {
        "x": round(start, 1),
        "width": round(max(stop.minutes / 60 * _HOUR_WIDTH, 2.0), 1),
        "drive_x": round(start - drive, 1),
        "drive_width": round(drive, 1),
        "urgent": stop.urgent,
        "statutory": stop.kind == "statutory",
        "title": _title(stop, day_round.zone),
        "label": stop.site if stop.minutes >= 75 else "",
    }


def _hour(moment: datetime, day_round: DayRound) -> float:
    """Return hours since the local midnight of the round's day, as the clock on the wall shows."""
    local = moment.astimezone(ZoneInfo(day_round.zone))
    return (local.date() - day_round.day).days * 24 + local.hour + local.minute / 60


def _title(stop: RoundStop, zone: str) -> str:
    start, end = (moment.astimezone(ZoneInfo(zone)) for moment in (stop.starts_at, stop.ends_at))
    return f"{start:%H:%M}-{end:%H:%M} {stop.site}, {stop.town}: {', '.join(stop.headlines)}"


def _load(picture: RoundsPicture, inks: dict[str, str]) -> dict[str, Any]:
    days = sorted({each.day for each in picture.around})
    people = sorted({(each.name, each.technician) for each in picture.around})
    by_key = {(each.technician, each.day): each for each in picture.around}
    longest = max((e.work_minutes + e.travel_minutes for e in picture.around), default=1) or 1
    return {
        "days": [{"label": f"{day:%a} {day.day}", "shown": day == picture.day} for day in days],
        "people": [
            {
                "name": name,
                "ink": inks[person],
                "cells": [_cell(by_key.get((person, day)), longest) for day in days],
            }
            for name, person in people
        ],
    }


def _cell(each: DayRound | None, longest: int) -> dict[str, Any] | None:
    if each is None:
        return None
    return {
        "work": round(100 * each.work_minutes / longest),
        "drive": round(100 * each.travel_minutes / longest),
        "title": f"{len(each.stops)} visits, {each.work_minutes} min of work, "
        f"{each.travel_minutes} min of driving",
    }


def _listed(each: DayRound, ink: str) -> dict[str, Any]:
    zone = ZoneInfo(each.zone)
    return {
        "name": each.name,
        "ink": ink,
        "stops": [
            {
                "number": number,
                "arrive": f"{stop.starts_at.astimezone(zone):%H:%M}",
                "leave": f"{stop.ends_at.astimezone(zone):%H:%M}",
                "way": stop.way,
                "site": stop.site,
                "town": stop.town,
                "work": ", ".join(stop.headlines),
                "urgent": stop.urgent,
            }
            for number, stop in enumerate(each.stops, start=1)
        ],
    }
