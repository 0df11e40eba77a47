"""Where visits that hang together cannot be linked as they say."""

from collections.abc import Mapping, Sequence

from scheduler.routing.parts import Visit
from scheduler.routing.reading import Flaws


def note_misfit_links(flaws: Flaws, visits: Sequence[Visit]) -> None:
    """Note links to visits that are not there, that contradict each other or the pins."""
    known = {visit.id: visit for visit in visits}
    taken: dict[str, str] = {}
    for at, visit in enumerate(visits):
        path = f"visits[{at}]"
        if visit.after is not None:
            _note_bad_after(flaws, f"{path}.after", visit, known)
        if visit.together_with is None:
            continue
        other = known.get(visit.together_with)
        if other is None or other is visit:
            flaws.note(
                f"{path}.together_with",
                f"must name another visit of this problem, got {visit.together_with!r}",
            )
            continue
        for name in (visit.id, other.id):
            if taken.setdefault(name, visit.id) != visit.id:
                flaws.note(f"{path}.together_with", f"makes a third: {name!r} has its other half")
        _note_bad_halves(flaws, f"{path}.together_with", visit, other)
    if not len(flaws):
        _note_circles(flaws, visits, known)


def _note_bad_after(flaws: Flaws, path: str, visit: Visit, known: Mapping[str, Visit]) -> None:
    assert visit.after is not None
    before = known.get(visit.after.visit)
    if before is None or before is visit:
        message = f"must name another visit of this problem, got {visit.after.visit!r}"
        flaws.note(f"{path}.visit", message)
    elif visit.pinned is not None:
        pin = before.pinned
        if pin is None:
            flaws.note(f"{path}.visit", f"must be pinned as well, for {visit.id!r} is")
        elif visit.pinned.start < pin.start + before.minutes_in(pin.shift) + visit.after.minutes:
            flaws.note(f"{path}.minutes", "are not kept by the pins of the two; lift one of them")


def _note_bad_halves(flaws: Flaws, path: str, one: Visit, two: Visit) -> None:
    if (one.pinned is None) != (two.pinned is None):
        flaws.note(path, f"must be pinned exactly when {one.id!r} is")
    elif (
        one.pinned is not None
        and two.pinned is not None
        and (one.pinned.start != two.pinned.start or one.pinned.shift == two.pinned.shift)
    ):
        flaws.note(path, "and this visit must be pinned to one minute of different shifts")


def _note_circles(flaws: Flaws, visits: Sequence[Visit], known: Mapping[str, Visit]) -> None:
    """Note visits that would have to wait for themselves, halves waiting for each other's."""
    leader = {visit.id: visit.id for visit in visits}
    for visit in visits:
        if visit.together_with is not None:
            leader[visit.together_with] = visit.id
    waits: dict[str, set[str]] = {name: set() for name in leader.values()}
    for visit in visits:
        if visit.after is not None:
            waits[leader[visit.id]].add(leader[visit.after.visit])
    while free := [name for name, others in waits.items() if not others & waits.keys()]:
        for name in free:
            del waits[name]
    for at, visit in enumerate(visits):
        if visit.id in waits and visit.after is not None:
            flaws.note(f"visits[{at}].after", "leads back to the visit itself; cut the circle")
