"""Keeps due tasks and planned visits under their natural ids; retires what came to nothing.

What is kept was decided from a look taken earlier. Where a site's work has been booked, done or
held for a client since, that site is left as it is: the next look sees it.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlmodel import Session, col, select

from api.storage.tables import DueTaskRow, HoldRow, VisitRow
from scheduler.bundling import Bundle
from scheduler.company import Urgency
from scheduler.upkeep import DueTask


@dataclass(frozen=True, slots=True, kw_only=True)
class WaitingWork:
    """The open tasks at one moment: those of no visit that has or is about to get a time, and
    those that are spoken for.
    """

    free: frozenset[str]
    spoken_for: frozenset[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadyVisit:
    """A bundle as it is stored: with its worksheet and the names of its work.

    ``urgency`` is set when a machine stands still until it is done.
    """

    bundle: Bundle
    headlines: Sequence[str]
    worksheet: Mapping[str, Any]
    urgency: Urgency | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteWork:
    """What was decided for one site."""

    site: str
    tasks: Sequence[DueTask]
    visits: Sequence[ReadyVisit]


def waiting_work(session: Session, *, now: datetime) -> WaitingWork:
    """Return the open tasks as they stand. A visit held for a client is about to get its time."""
    held = select(HoldRow.visit_id).where(HoldRow.state == "held", HoldRow.expires_at > now)
    rows = session.exec(
        select(DueTaskRow.id, VisitRow.state, col(VisitRow.id).in_(held))
        .join(VisitRow, col(VisitRow.id) == col(DueTaskRow.visit_id), isouter=True)
        .where(DueTaskRow.state == "open")
    ).all()
    taken = frozenset(task for task, state, is_held in rows if state == "booked" or is_held)
    return WaitingWork(free=frozenset(task for task, *_ in rows) - taken, spoken_for=taken)


def task_of(row: DueTaskRow) -> DueTask:
    """Return a task as the engine takes it."""
    return DueTask(
        id=row.id,
        machine=row.machine_id,
        site=row.site_id,
        rule=row.rule,
        fitted_part=row.fitted_part_id,
        anchor=row.anchor,
        earliest=row.earliest,
        target=row.target,
        latest=row.latest,
        hard=row.hard,
        because=row.because,
    )


def open_task(session: Session, task: DueTask) -> None:
    """Open a task now, again if it was done or dropped; tonight's work takes it up by its id."""
    row = session.get(DueTaskRow, task.id)
    if row is None or row.state != "open":
        keep_task(session, row, task, visit_id=None)


def keep_task(
    session: Session, row: DueTaskRow | None, task: DueTask, *, visit_id: str | None
) -> DueTaskRow:
    """Store a task as open, in the row it has already if there is one."""
    if row is None:
        row = DueTaskRow(
            id=task.id,
            machine_id=task.machine,
            site_id=task.site,
            fitted_part_id=task.fitted_part,
            rule=task.rule,
            anchor=task.anchor,
            earliest=task.earliest,
            target=task.target,
            latest=task.latest,
            hard=task.hard,
            because=task.because,
        )
    row.earliest, row.target, row.latest = task.earliest, task.target, task.latest
    row.hard, row.because = task.hard, task.because
    row.state, row.visit_id = "open", visit_id
    session.add(row)
    return row


class DueWorkKeeper:
    """Stores the work of every site in one transaction.

    Parameters
    ----------
    decided_on : the open tasks the decision was made from.
    """

    def __init__(self, session: Session, decided_on: WaitingWork, *, now: datetime) -> None:
        self._session, self._decided_on = session, decided_on
        self._present = waiting_work(session, now=now)
        self._tasks = {
            row.id: row
            for row in session.exec(select(DueTaskRow).where(DueTaskRow.state == "open"))
        }
        self._visits = {
            row.id: row
            for row in session.exec(
                select(VisitRow).where(
                    col(VisitRow.kind) != "callback", col(VisitRow.state).in_(("open", "booked"))
                )
            )
        }
        self._busy = {self._tasks[task].visit_id for task in self._present.spoken_for}
        self._kept_tasks: set[str] = set()
        self._kept_visits: set[str] = set()
        self._left_alone: set[str] = set()

    def keep(self, work: SiteWork) -> bool:
        """Store one site's work; return False when the site has changed and is left alone."""
        seen = {task.id for task in work.tasks} & self._decided_on.free
        if not seen <= self._present.free:
            self._left_alone.add(work.site)
            return False
        visit_of: dict[str, str] = {}
        for ready in work.visits:
            visit_id = self._keep_visit(ready)
            visit_of.update(dict.fromkeys(ready.bundle.tasks, visit_id))
        for task in work.tasks:
            self._keep_task(task, visit_of.get(task.id))
        return True

    def drop_the_rest(self) -> None:
        """Retire open tasks and visits that no longer fall due; what has a time is left alone."""
        for visit in self._visits.values():
            stays = visit.id in self._kept_visits or visit.id in self._busy
            if visit.site_id in self._left_alone:
                continue
            if visit.state == "open" and not stays:
                visit.state = "dropped"
                self._session.add(visit)
        for task in self._tasks.values():
            stays = task.id in self._kept_tasks or task.site_id in self._left_alone
            if task.id not in self._present.spoken_for and not stays:
                task.state, task.visit_id = "dropped", None
                self._session.add(task)

    def _keep_task(self, task: DueTask, visit_id: str | None) -> None:
        known = self._tasks.get(task.id) or self._session.get(DueTaskRow, task.id)
        row = keep_task(self._session, known, task, visit_id=visit_id)
        self._kept_tasks.add(row.id)

    def _keep_visit(self, ready: ReadyVisit) -> str:
        bundle = ready.bundle
        values: dict[str, Any] = {
            "site_id": bundle.site,
            "kind": str(bundle.kind),
            "window": str(bundle.window),
            "minutes": bundle.minutes,
            "skills": sorted(bundle.skills),
            "parts": dict(bundle.parts),
            "earliest": bundle.earliest,
            "target": bundle.target,
            "latest": bundle.latest,
            "hard_latest": bundle.hard_latest,
            "urgency": ready.urgency,
            "headlines": list(ready.headlines),
            "worksheet": dict(ready.worksheet),
            "because": bundle.because,
            "state": "open",
        }
        visit_id, row = self._named(bundle.id)
        if row is None:
            row = VisitRow(id=visit_id, **values)
        for name, value in values.items():
            setattr(row, name, value)
        self._kept_visits.add(row.id)
        self._session.add(row)
        return row.id

    def _named(self, wanted: str) -> tuple[str, VisitRow | None]:
        """Return an id that is free and, where a visit nobody works on has it, that visit.

        A number is added where a visit of that name has a time or was done already.
        """
        for visit_id in _numbered(wanted):
            row = self._visits.get(visit_id) or self._session.get(VisitRow, visit_id)
            if row is None:
                return visit_id, None
            free = row.state in ("open", "dropped") and row.id not in self._kept_visits
            if free and row.id not in self._busy:
                return visit_id, row
        raise AssertionError("there is always another number")


def _numbered(name: str) -> Iterable[str]:
    yield name
    number = 1
    while True:
        number += 1
        yield f"{name}:{number}"
