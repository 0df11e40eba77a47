"""The parts of a problem as JSON objects: places, shifts and visits, read and written.

Reading notes every flaw of an object and goes on, so that all are listed at once; where one was
noted, what comes back is not to be used. Keys are named as in `parts.py`, but for "break", which is
`pause` there.
"""

from collections.abc import Mapping
from typing import Any

from scheduler.errors import InvalidProblem
from scheduler.routing.parts import After, Pause, Pin, Place, Shift, Visit, Workshop
from scheduler.routing.reading import Fields, Flaws


def place_from_json(fields: Fields, flaws: Flaws) -> Place:
    """Read a place. Raises InvalidProblem where its values do not go together."""
    return Place(
        id=fields.text("id"), lat=fields.number_or_none("lat"), lon=fields.number_or_none("lon")
    )


def shift_from_json(fields: Fields, flaws: Flaws) -> Shift:
    """Read a shift. Raises InvalidProblem where its values do not go together."""
    return Shift(
        id=fields.text("id"),
        technician=fields.text("technician"),
        start_place=fields.whole("start_place"),
        end_place=fields.whole("end_place"),
        start=fields.whole("start"),
        end=fields.whole("end"),
        skills=fields.texts("skills"),
        pause=_pause(fields, flaws) if fields.has("break") else None,
        tools=fields.texts("tools"),
        parts=fields.whole_by_name("parts"),
        workshop=_workshop(fields, flaws) if fields.has("workshop") else None,
        driving_limit=fields.whole("driving_limit") if fields.has("driving_limit") else None,
        usual_minutes=fields.whole("usual_minutes") if fields.has("usual_minutes") else 0,
    )


def _pause(shift: Fields, flaws: Flaws) -> Pause | None:
    fields = Fields(shift.raw("break"), shift.path("break"), flaws)
    try:
        return Pause(
            minutes=fields.whole("minutes"),
            earliest=fields.whole("earliest"),
            latest=fields.whole("latest"),
        )
    except InvalidProblem as error:
        flaws.note_all(error.flaws, under=shift.path("break"))
        return None


def _workshop(shift: Fields, flaws: Flaws) -> Workshop | None:
    fields = Fields(shift.raw("workshop"), shift.path("workshop"), flaws)
    try:
        return Workshop(
            place=fields.whole("place"),
            minutes=fields.whole("minutes") if fields.has("minutes") else 0,
        )
    except InvalidProblem as error:
        flaws.note_all(error.flaws, under=shift.path("workshop"))
        return None


def visit_from_json(fields: Fields, flaws: Flaws) -> Visit:
    """Read a visit. Raises InvalidProblem where its values do not go together."""
    return Visit(
        id=fields.text("id"),
        place=fields.whole("place"),
        minutes=fields.whole("minutes"),
        skills=fields.texts("skills"),
        start_windows=fields.whole_pairs("start_windows"),
        leave_out_cost=fields.whole("leave_out_cost"),
        pinned=_pin(fields, flaws) if fields.has("pinned") else None,
        shift_costs=fields.whole_by_name("shift_costs"),
        tools=fields.texts("tools"),
        parts=fields.whole_by_name("parts"),
        shift_minutes=fields.whole_by_name("shift_minutes"),
        after=_after(fields, flaws) if fields.has("after") else None,
        together_with=fields.text("together_with") if fields.has("together_with") else None,
        site=fields.text("site") if fields.has("site") else None,
    )


def _after(visit: Fields, flaws: Flaws) -> After | None:
    fields = Fields(visit.raw("after"), visit.path("after"), flaws)
    try:
        return After(
            visit=fields.text("visit"),
            minutes=fields.whole("minutes") if fields.has("minutes") else 0,
        )
    except InvalidProblem as error:
        flaws.note_all(error.flaws, under=visit.path("after"))
        return None


def _pin(visit: Fields, flaws: Flaws) -> Pin | None:
    fields = Fields(visit.raw("pinned"), visit.path("pinned"), flaws)
    try:
        return Pin(shift=fields.text("shift"), start=fields.whole("start"))
    except InvalidProblem as error:
        flaws.note_all(error.flaws, under=visit.path("pinned"))
        return None


def place_to_json(place: Place) -> dict[str, Any]:
    """Return the JSON object of a place."""
    return {"id": place.id} | ({} if place.lat is None else {"lat": place.lat, "lon": place.lon})


def shift_to_json(shift: Shift) -> dict[str, Any]:
    """Return the JSON object of a shift; absent options are left away."""
    return (
        {
            "id": shift.id,
            "technician": shift.technician,
            "start_place": shift.start_place,
            "end_place": shift.end_place,
            "start": shift.start,
            "end": shift.end,
            "skills": sorted(shift.skills),
        }
        | ({} if shift.pause is None else {"break": _pause_to_json(shift.pause)})
        | _supplies_to_json(shift.tools, shift.parts)
        | ({} if shift.workshop is None else {"workshop": _workshop_to_json(shift.workshop)})
        | ({} if shift.driving_limit is None else {"driving_limit": shift.driving_limit})
        | ({"usual_minutes": shift.usual_minutes} if shift.usual_minutes else {})
    )


def visit_to_json(visit: Visit) -> dict[str, Any]:
    """Return the JSON object of a visit; absent options are left away."""
    return (
        {
            "id": visit.id,
            "place": visit.place,
            "minutes": visit.minutes,
            "skills": sorted(visit.skills),
            "start_windows": [list(window) for window in visit.start_windows],
            "leave_out_cost": visit.leave_out_cost,
        }
        | ({} if visit.pinned is None else {"pinned": _pin_to_json(visit.pinned)})
        | ({"shift_costs": dict(visit.shift_costs)} if visit.shift_costs else {})
        | _supplies_to_json(visit.tools, visit.parts)
        | ({"shift_minutes": dict(visit.shift_minutes)} if visit.shift_minutes else {})
        | _links_to_json(visit)
        | ({} if visit.site is None else {"site": visit.site})
    )


def _pause_to_json(pause: Pause) -> dict[str, int]:
    return {"minutes": pause.minutes, "earliest": pause.earliest, "latest": pause.latest}


def _workshop_to_json(workshop: Workshop) -> dict[str, int]:
    return {"place": workshop.place, "minutes": workshop.minutes}


def _supplies_to_json(tools: frozenset[str], parts: Mapping[str, int]) -> dict[str, Any]:
    return ({"tools": sorted(tools)} if tools else {}) | ({"parts": dict(parts)} if parts else {})


def _links_to_json(visit: Visit) -> dict[str, Any]:
    links: dict[str, Any] = {}
    if visit.after is not None:
        links["after"] = {"visit": visit.after.visit, "minutes": visit.after.minutes}
    if visit.together_with is not None:
        links["together_with"] = visit.together_with
    return links


def _pin_to_json(pin: Pin) -> dict[str, str | int]:
    return {"shift": pin.shift, "start": pin.start}
