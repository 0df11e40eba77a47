"""A draft becomes the calendar people work by, all of it or nothing.

Publishing compares the revision the draft was made from with the present one, so that nothing that
happened meanwhile is overwritten.
"""

from datetime import datetime
from typing import NoReturn, assert_never

from sqlalchemy import update
from sqlmodel import Session, col, select

from api.actions.calendars import refresh_calendars
from api.actions.plan_changes import Change, ChangeKind, Slot, changes_of, lay_way, slot_of, way_of
from api.actions.planning import plan_by_id
from api.storage.audit import Origin, announce, record
from api.storage.booked_time import refuse_held_time
from api.storage.database import Database
from api.storage.documents import unpack_problem
from api.storage.ids import new_id
from api.storage.open_work import MOVABLE, bump_revision, publication
from api.storage.presence import refuse_second_at_site
from api.storage.tables import (
    AbsenceRow,
    AppointmentRow,
    HandOverRow,
    PlanRow,
    SiteRow,
    TechnicianRow,
    VisitRow,
)
from scheduler.catalogue import Catalogue
from scheduler.errors import PlanOutdated
from scheduler.lifecycle import AppointmentState, move


def publish_plan(
    database: Database, plan_id: str, catalogue: Catalogue, *, now: datetime, origin: Origin
) -> tuple[Change, ...]:
    """Make a draft the published calendar, in one transaction.

    Raises
    ------
    Absent
        There is no such plan.
    Conflict
        It is not a draft.
    PlanOutdated
        The published calendar or the work in it has changed since the draft was made.
    HeldForClient
        It would use time that is held for a client.
    SiteTaken
        It would send somebody to a site where another technician is meanwhile.
    """
    now = now.replace(microsecond=0)
    with database.write() as session:
        database.lock_calendar(session)
        plan = plan_by_id(session, plan_id)
        changes = changes_of(session, plan)
        if plan.base_revision != publication(session).revision:
            raise PlanOutdated(plan_id, "the published calendar has changed since")
        publisher = _Publisher(session, plan, now)
        for change in changes:
            publisher.apply(change)
        refuse_held_time(session, publisher.technicians, now=now)
        refuse_second_at_site(session, publisher.placed, now=now)
        bump_revision(session, now)
        plan.state, plan.published_at = "published", now
        _supersede_others(session, plan)
        session.add(plan)
        refresh_calendars(session, publisher.technicians, catalogue, now=now)
        counts = {kind.value: sum(change.kind is kind for change in changes) for kind in ChangeKind}
        record(
            session, origin, now=now, verb="publish", subject=f"plan/{plan.id}", after=dict(counts)
        )
        return changes


def _supersede_others(session: Session, plan: PlanRow) -> None:
    """Retire what was published before and the drafts that can no longer be published."""
    session.exec(
        update(PlanRow)
        .where(col(PlanRow.state).in_(("published", "draft")), col(PlanRow.id) != plan.id)
        .values(state="superseded", version=PlanRow.version + 1)
    )


class _Publisher:
    """Turns changes into appointments; remembers those with a new time, and whose calendars."""

    def __init__(self, session: Session, plan: PlanRow, now: datetime) -> None:
        assert plan.problem is not None, "a draft keeps its problem"
        self._session, self._plan, self._now = session, plan, now
        self._planned = {visit.id: visit for visit in unpack_problem(plan.problem).visits}
        self.technicians: set[str] = set()
        self.placed: list[AppointmentRow] = []

    def apply(self, change: Change) -> None:
        if change.kind is ChangeKind.UNCHANGED:
            self._update_way(change)
            return
        visit = self._session.get(VisitRow, change.visit)
        wanted = "open" if change.kind is ChangeKind.ADDED else "booked"
        if visit is None or visit.state != wanted:
            self._outdated(f"visit {change.visit} is no longer to be planned")
        if change.after is not None:
            self._check(visit, change.after)
        match change.kind:
            case ChangeKind.ADDED:
                self._add(change, visit)
            case ChangeKind.MOVED | ChangeKind.HANDED_OVER:
                self._shift(change, visit)
            case ChangeKind.WITHDRAWN:
                self._withdraw(change, visit)
            case _:
                assert_never(change.kind)

    def _check(self, visit: VisitRow, slot: Slot) -> None:
        """Refuse a slot that what happened since the draft was made has spoilt."""
        planned = self._planned[visit.id]
        if visit.minutes != planned.minutes or frozenset(visit.skills) != planned.skills:
            self._outdated(f"the work of visit {visit.id} has changed")
        if slot.starts_at < self._now:
            self._outdated(f"visit {visit.id} would start in the past")
        person = self._session.get(TechnicianRow, slot.technician)
        if person is None or not person.active or not planned.skills <= set(person.skills):
            self._outdated(f"{slot.technician} can no longer make visit {visit.id}")
        away = self._session.exec(
            select(AbsenceRow.id).where(
                AbsenceRow.technician_id == slot.technician,
                AbsenceRow.certainty == "away",
                AbsenceRow.starts_at < slot.ends_at,
                AbsenceRow.ends_at > slot.starts_at,
            )
        ).first()
        if away is not None:
            self._outdated(f"{person.name} is away when visit {visit.id} would be made")

    def _outdated(self, what: str) -> NoReturn:
        raise PlanOutdated(self._plan.id, what)

    def _standing(self, change: Change) -> AppointmentRow:
        row = self._session.exec(
            select(AppointmentRow)
            .where(AppointmentRow.visit_id == change.visit)
            .where(col(AppointmentRow.state).in_(MOVABLE))
        ).first()
        if row is None:
            self._outdated(f"visit {change.visit} has begun")
        return row

    def _update_way(self, change: Change) -> None:
        row = self._session.exec(
            select(AppointmentRow)
            .where(AppointmentRow.visit_id == change.visit)
            .where(col(AppointmentRow.state).in_(MOVABLE))
        ).first()
        if row is not None and change.way != way_of(row):
            row.revised_at = self._now
            lay_way(row, change.way)
            self._session.add(row)
            self.technicians.add(row.technician_id)

    def _add(self, change: Change, visit: VisitRow) -> None:
        assert change.after is not None
        row = AppointmentRow(
            id=new_id("ap"),
            visit_id=visit.id,
            technician_id=change.after.technician,
            starts_at=change.after.starts_at,
            ends_at=change.after.ends_at,
            created_at=self._now,
            revised_at=self._now,
            plan_id=self._plan.id,
        )
        lay_way(row, change.way)
        visit.state = "booked"
        self.placed.append(row)
        self._keep(row, visit, "appointment.planned")

    def _shift(self, change: Change, visit: VisitRow) -> None:
        assert change.after is not None
        row = self._standing(change)
        self.technicians.add(row.technician_id)
        topic = reschedule(self._session, row, change.after, now=self._now)
        row.plan_id = self._plan.id
        lay_way(row, change.way)
        self.placed.append(row)
        self._keep(row, visit, topic)

    def _withdraw(self, change: Change, visit: VisitRow) -> None:
        row = self._standing(change)
        row.state = move(AppointmentState(row.state), AppointmentState.CANCELLED)
        row.sequence += 1
        row.revised_at = self._now
        visit.state = "open"
        self._keep(row, visit, "appointment.cancelled")

    def _keep(self, row: AppointmentRow, visit: VisitRow, topic: str) -> None:
        self._session.add_all([row, visit])
        self.technicians.add(row.technician_id)
        announce_appointment(self._session, row, visit, topic=topic, now=self._now)


def reschedule(session: Session, row: AppointmentRow, slot: Slot, *, now: datetime) -> str:
    """Put an appointment somewhere else; return the topic of what that means for the client.

    SEQUENCE rises when its time changes (RFC 5546), and when it changes hands: in the calendar of
    the technician who gives it away it becomes cancelled, and it may come back one day. A promise
    whose time changes is a promise no more: the client never agreed to the new one.
    """
    before = slot_of(row)
    if before == slot:
        return "appointment.moved"
    topic = "appointment.moved"
    row.sequence += 1
    if before.starts_at != slot.starts_at:
        came_back = row.moved_from == slot.starts_at
        row.moved_from = None if came_back else row.moved_from or before.starts_at
        if row.state == AppointmentState.PROMISED:
            row.state = move(AppointmentState.PROMISED, AppointmentState.PLANNED)
            topic = "appointment.promise_broken"
    if before.technician != slot.technician:
        row.moved_from = None  # whoever gets it has never seen the old time
    if (
        row.arrive_from is not None
        and row.arrive_until is not None
        and not row.arrive_from <= slot.starts_at <= row.arrive_until
    ):
        row.arrive_from = row.arrive_until = None  # what the client was told no longer holds
    row.technician_id, row.starts_at, row.ends_at = slot.technician, slot.starts_at, slot.ends_at
    row.revised_at = now
    if before.technician != slot.technician:
        session.add(
            HandOverRow(
                id=new_id("ho"),
                appointment_id=row.id,
                technician_id=before.technician,
                starts_at=before.starts_at,
                ends_at=before.ends_at,
                sequence=row.sequence,
                handed_over_at=now,
            )
        )
    return topic


def announce_appointment(
    session: Session, row: AppointmentRow, visit: VisitRow, *, topic: str, now: datetime
) -> None:
    """Tell the client's portal what became of an appointment: when, not who or what it costs."""
    site = session.get_one(SiteRow, visit.site_id)
    announce(
        session,
        now=now,
        topic=topic,
        client=site.client_id,
        payload={
            "appointment": row.id,
            "visit": visit.id,
            "site": site.id,
            "state": str(row.state),
            "starts_at": row.starts_at.isoformat(),
            "ends_at": row.ends_at.isoformat(),
            "arrive_from": row.arrive_from,
            "arrive_until": row.arrive_until,
        },
    )
