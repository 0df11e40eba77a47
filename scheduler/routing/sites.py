"""Which shifts may not make a visit, since another technician is at its site meanwhile?

For whatever says "this visit could go there" beside rounds that stand; the search itself asks in
`kernel.sites`, the checker for itself.
"""

from collections import defaultdict
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from scheduler.routing.parts import Visit
from scheduler.routing.problem import Problem


class Sites:
    """Who is where while one technician at a time may be at a site.

    Parameters
    ----------
    problem
        The problem.
    placed
        Ids of visits, each with that of the shift that makes it; names the problem does not have
        are passed over.
    """

    def __init__(self, problem: Problem, placed: Iterable[tuple[str, str]]) -> None:
        self._starts = np.array([shift.start for shift in problem.shifts], dtype=np.int64)
        self._ends = np.array([shift.end for shift in problem.shifts], dtype=np.int64)
        people: dict[str, int] = {}
        numbers = [people.setdefault(s.technician, len(people)) for s in problem.shifts]
        self._technicians = np.array(numbers, dtype=np.int64)
        self._visits = {visit.id: visit for visit in problem.visits if visit.site is not None}
        self._shift_index = problem.shift_index()
        self._there: dict[str | None, list[tuple[Visit, int]]] = defaultdict(list)
        for visit_id, shift_id in placed if self._visits else ():
            self.place(visit_id, shift_id)

    def place(self, visit_id: str, shift_id: str) -> None:
        """Note that a shift makes a visit as well."""
        visit, shift_at = self._visits.get(visit_id), self._shift_index.get(shift_id)
        if visit is not None and shift_at is not None:
            self._there[visit.site].append((visit, shift_at))

    def barred(self, visit: Visit) -> NDArray[np.bool_]:
        """Tell for every shift whether another technician is at the visit's site meanwhile."""
        barred = np.zeros(self._starts.size, dtype=np.bool_)
        for shift_at in self.others_there(visit):
            barred |= self.clashing(shift_at)
        return barred

    def others_there(self, visit: Visit) -> list[int]:
        """Return the shifts, by index, that make other visits of the visit's site.

        The other half of work for two does not count.
        """
        return [
            shift_at
            for other, shift_at in self._there.get(visit.site, ())
            if other.id not in (visit.id, visit.together_with) and other.together_with != visit.id
        ]

    def clashing(self, shift_at: int) -> NDArray[np.bool_]:
        """Tell which shifts are of other technicians and overlap a shift, shape (n_shifts,)."""
        clashing: NDArray[np.bool_] = (
            (self._technicians != self._technicians[shift_at])
            & (self._starts < self._ends[shift_at])
            & (self._starts[shift_at] < self._ends)
        )
        return clashing
