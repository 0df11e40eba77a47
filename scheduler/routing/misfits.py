"""Where the parts of a planning problem do not fit each other."""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from scheduler.routing.misfit_links import note_misfit_links
from scheduler.routing.parts import MINUTES_LIMIT, Place, Shift, Visit
from scheduler.routing.reading import Flaws


def note_misfits(
    flaws: Flaws,
    places: Sequence[Place | None],
    travel: NDArray[Any] | None,
    shifts: Sequence[Shift | None],
    visits: Sequence[Visit | None],
) -> None:
    """Note where the parts of a problem do not fit each other.

    A part that could not be read is None, so that the others keep their positions and are
    still looked at.
    """
    for kind, items in (("places", places), ("shifts", shifts), ("visits", visits)):
        _note_repeated_ids(flaws, kind, items)
    if travel is not None:
        _note_bad_travel(flaws, travel, len(places))
    for at, shift in enumerate(shifts):
        if shift is not None:
            _note_bad_place(flaws, f"shifts[{at}].start_place", shift.start_place, len(places))
            _note_bad_place(flaws, f"shifts[{at}].end_place", shift.end_place, len(places))
            if shift.workshop is not None:
                path = f"shifts[{at}].workshop.place"
                _note_bad_place(flaws, path, shift.workshop.place, len(places))
    known = {shift.id: shift for shift in shifts if shift is not None}
    for at, visit in enumerate(visits):
        if visit is None:
            continue
        _note_bad_place(flaws, f"visits[{at}].place", visit.place, len(places))
        for key, by_shift in (
            ("shift_costs", visit.shift_costs),
            ("shift_minutes", visit.shift_minutes),
        ):
            for name in by_shift:
                if name not in known and None not in shifts:
                    flaws.note(f"visits[{at}].{key}.{name}", "names no shift of this problem")
        if visit.pinned is not None and (visit.pinned.shift in known or None not in shifts):
            _note_bad_pin(flaws, f"visits[{at}].pinned", visit, known.get(visit.pinned.shift))
    if None not in visits:
        note_misfit_links(flaws, [visit for visit in visits if visit is not None])
    if not len(flaws) and travel is not None:
        _note_clashing_pins(flaws, travel, known, visits)
        _note_unsupplied_pins(flaws, known, visits)


class _Named(Protocol):
    @property
    def id(self) -> str: ...


def _note_repeated_ids(flaws: Flaws, kind: str, items: Sequence[_Named | None]) -> None:
    first_at: dict[str, int] = {}
    for at, item in enumerate(items):
        if item is not None and first_at.setdefault(item.id, at) != at:
            flaws.note(
                f"{kind}[{at}].id",
                f"must be unique, but {item.id!r} is also {kind}[{first_at[item.id]}]",
            )


def _note_bad_travel(flaws: Flaws, travel: NDArray[Any], n_places: int) -> None:
    if travel.shape != (n_places, n_places):
        flaws.note(
            "travel_minutes",
            f"must have one row and one column for each of {n_places} places, "
            f"got shape {travel.shape}",
        )
        return
    for origin, target in np.argwhere((travel < 0) | (travel > MINUTES_LIMIT)):
        flaws.note(
            f"travel_minutes[{origin}][{target}]",
            f"must be from 0 to {MINUTES_LIMIT} minutes, got {travel[origin, target]}",
        )


def _note_bad_place(flaws: Flaws, path: str, place: int, n_places: int) -> None:
    if not 0 <= place < n_places:
        flaws.note(path, f"must be the index of one of {n_places} places, got {place}")


def _note_bad_pin(flaws: Flaws, path: str, visit: Visit, shift: Shift | None) -> None:
    assert visit.pinned is not None
    start = visit.pinned.start
    end = start + visit.minutes_in(visit.pinned.shift)
    if shift is None:
        flaws.note(f"{path}.shift", f"names no shift of this problem, got {visit.pinned.shift!r}")
        return
    if not visit.may_start_at(start):
        flaws.note(
            f"{path}.start",
            f"must lie in one of the visit's start_windows, got {start}; "
            f"add [{start}, {start}] to them or lift the pin",
        )
    if start < shift.start or end > shift.end:
        flaws.note(
            f"{path}.start",
            f"must keep the visit inside the shift [{shift.start}, {shift.end}], "
            f"got [{start}, {end}]",
        )
    if missing := sorted(visit.skills - shift.skills):
        flaws.note(
            f"{path}.shift",
            f"must have the visit's skills, but {shift.id!r} lacks {', '.join(missing)}",
        )
    if lacking := sorted(visit.tools - shift.tools):
        flaws.note(
            f"{path}.shift",
            f"must have the visit's tools along, but {shift.id!r} lacks {', '.join(lacking)}",
        )


def _note_clashing_pins(
    flaws: Flaws,
    travel: NDArray[Any],
    shifts: Mapping[str, Shift],
    visits: Sequence[Visit | None],
) -> None:
    """Note shifts whose pinned visits, travel and break cannot all be kept."""
    pinned: dict[str, list[tuple[int, int, int, Visit]]] = defaultdict(list)
    for at, visit in enumerate(visits):
        if visit is not None and visit.pinned is not None:
            start = visit.pinned.start
            end = start + visit.minutes_in(visit.pinned.shift)
            pinned[visit.pinned.shift].append((start, end, at, visit))
    for shift_id, entries in pinned.items():
        shift = shifts[shift_id]
        stations = [(shift.start, shift.start, shift.start_place, "the start of the shift")]
        for start, end, at, visit in sorted(entries, key=lambda entry: entry[:3]):
            stations.append((start, end, visit.place, f"visits[{at}]"))
        stations.append((shift.end, shift.end, shift.end_place, "the end of the shift"))
        gaps = []
        for (_, leave, origin, before), (arrive, _, target, after) in pairwise(stations):
            journey = int(travel[origin, target])
            gaps.append((leave, arrive, journey))
            if arrive - leave < journey:
                path = after if after.startswith("visits") else before
                flaws.note(
                    f"{path}.pinned",
                    f"cannot be kept: {journey} minutes of travel between {before} and {after}, "
                    f"but {arrive - leave} minutes for it; move or lift one pin",
                )
        driven = sum(journey for _, _, journey in gaps)
        if shift.driving_limit is not None and driven > shift.driving_limit:
            flaws.note(
                f"visits[{entries[0][2]}].pinned",
                f"and the other pinned visits of shift {shift_id!r} travel {driven} minutes, "
                f"above its driving_limit of {shift.driving_limit}; raise it or lift one pin",
            )
        pause = shift.pause
        if pause is not None and not any(
            arrive - leave - journey >= pause.minutes
            and min(arrive, pause.latest) - max(leave, pause.earliest) >= pause.minutes
            for leave, arrive, journey in gaps
        ):
            flaws.note(
                f"visits[{entries[0][2]}].pinned",
                f"and the other pinned visits of shift {shift_id!r} leave no room for its break "
                f"of {pause.minutes} minutes in [{pause.earliest}, {pause.latest}]; lift one pin",
            )


def _note_unsupplied_pins(
    flaws: Flaws, shifts: Mapping[str, Shift], visits: Sequence[Visit | None]
) -> None:
    """Note shifts that set out with too few parts for their pinned visits.

    A call at the workshop could help, but whether there is time for it is for a search to find.
    """
    left = {shift.id: Counter(shift.parts) for shift in shifts.values()}
    for at, visit in enumerate(visits):
        if visit is None or visit.pinned is None:
            continue
        stock = left[visit.pinned.shift]
        stock.subtract(visit.parts)
        for kind in sorted(visit.parts):
            if stock[kind] < 0:
                flaws.note(
                    f"visits[{at}].pinned",
                    f"and the pinned visits before it use up {-stock[kind]} more of {kind!r} than "
                    f"shift {visit.pinned.shift!r} sets out with; add them or lift one pin",
                )
