"""What happens to a published appointment: promised, begun, reported, called off, moved by hand."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlmodel import Session, select

from api.actions.calendars import refresh_calendars
from api.actions.keep_readings import JudgedVisit, TakenReading, keep_readings
from api.actions.publishing import Slot, announce_appointment, reschedule
from api.actions.take_callback import announce_callback
from api.storage.audit import Origin, announce, record
from api.storage.booked_time import refuse_held_time
from api.storage.database import Database
from api.storage.ids import new_id
from api.storage.open_work import bump_revision
from api.storage.tables import (
    AppointmentRow,
    CallbackRow,
    DueTaskRow,
    FittedPartRow,
    MachineRow,
    MeterReadingRow,
    SiteRow,
    TechnicianRow,
    VisitRow,
    WorkDoneRow,
)
from scheduler.catalogue import Action, Catalogue, Counter
from scheduler.errors import Absent, Conflict, InvalidInput, UnknownReference
from scheduler.lifecycle import AppointmentState, move
from scheduler.machines import Outcome
from scheduler.working_time import local_date

_FARTHEST = timedelta(days=731)
"""How far ahead a dispatcher may put an appointment: further is a slip of the pen."""

_TOPICS = {
    AppointmentState.PLANNED: "appointment.planned",
    AppointmentState.PROMISED: "appointment.promised",
    AppointmentState.UNDER_WAY: "appointment.under_way",
    AppointmentState.DONE: "appointment.done",
    AppointmentState.NO_ACCESS: "appointment.no_access",
    AppointmentState.CANCELLED: "appointment.cancelled",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadCounter:
    """A counter as the technician read it."""

    machine: str
    counter: Counter
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PartReplaced:
    """A part taken out and replaced by a new one of the same type."""

    fitted_part: str
    outcome: Outcome


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitReport:
    """What the technician reports at the end.

    Attributes
    ----------
    tasks_done : ids of the due tasks that were done; None means all of the visit.
    replaced : parts replaced beyond what the tasks themselves replace.
    readings : values read, as found and as left.
    cause : the fault of the catalogue that was found, at a visit for a callback.
    note : kept with the work, for whoever comes next.
    """

    tasks_done: tuple[str, ...] | None = None
    replaced: tuple[PartReplaced, ...] = ()
    counters: tuple[ReadCounter, ...] = ()
    readings: tuple[TakenReading, ...] = ()
    cause: str | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportedWork:
    """The appointment as done, and what the readings of the visit mean."""

    appointment: AppointmentRow
    judged: JudgedVisit


def appointment_by_id(
    session: Session, appointment_id: str, *, technician: str | None = None
) -> AppointmentRow:
    """Return an appointment's row, or raise Absent; ``technician`` limits it to their own."""
    row = session.get(AppointmentRow, appointment_id)
    if row is None or (technician is not None and row.technician_id != technician):
        raise Absent("appointment", appointment_id)
    return row


def _locked(
    database: Database,
    session: Session,
    appointment_id: str,
    *others: str,
    technician: str | None = None,
) -> AppointmentRow:
    """Return an appointment as it is once nobody else can touch its technician's time.

    ``others`` are technicians whose time is about to be touched as well.
    """
    row = appointment_by_id(session, appointment_id, technician=technician)
    database.lock(session, technicians=[row.technician_id, *others])
    return row


def change_state(
    database: Database,
    appointment_id: str,
    to: AppointmentState,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
    technician: str | None = None,
    if_version: int | None = None,
) -> AppointmentRow:
    """Promise, release, begin or cancel an appointment, or find nobody there.

    A cancelled or fruitless appointment opens its visit again, so that the next plan places it.

    Raises
    ------
    Absent
        There is no such appointment, or it is not this technician's.
    MoveNotAllowed
        The appointment cannot go to that state from where it is.
    StaleVersion
        ``if_version`` is given and no longer current.
    """
    if to is AppointmentState.DONE:
        raise InvalidInput("an appointment is done by reporting its work")
    now = now.replace(microsecond=0)
    with database.write() as session:
        row = _locked(database, session, appointment_id, technician=technician)
        row.expect_version(if_version)
        visit = session.get_one(VisitRow, row.visit_id)
        if to in (AppointmentState.CANCELLED, AppointmentState.NO_ACCESS):
            visit.state = "open"
        enter_state(session, row, visit, to, catalogue, now=now, origin=origin)
        return row


def report_work(
    database: Database,
    appointment_id: str,
    report: VisitReport,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
    technician: str | None = None,
    if_version: int | None = None,
) -> ReportedWork:
    """Record what was done at a visit that is under way; tasks not done stay open.

    Raises
    ------
    Absent, MoveNotAllowed, StaleVersion
        As for :func:`change_state`.
    InvalidInput
        The report names a task, part or machine that is not of this visit's site, a counter or
        value twice or in another unit, or a cause that is unknown or of a visit without callback.
    """
    now = now.replace(microsecond=0)
    with database.write() as session:
        row = _locked(database, session, appointment_id, technician=technician)
        row.expect_version(if_version)
        visit = session.get_one(VisitRow, row.visit_id)
        site = session.get_one(SiteRow, visit.site_id)
        recorder = _Recorder(session, row, visit, site, catalogue, report.note, now)
        recorder.tasks(report.tasks_done)
        for replaced in report.replaced:
            recorder.replace_part(replaced)
        recorder.counters(report.counters)
        judged = recorder.readings(report.readings)
        visit.state = "done"
        callbacks = session.exec(select(CallbackRow).where(CallbackRow.visit_id == visit.id)).all()
        _check_cause(report.cause, callbacks, catalogue)
        for callback in callbacks:
            callback.state, callback.cause = "done", report.cause
            session.add(callback)
            announce_callback(session, callback, topic="callback.done", now=now)
        enter_state(session, row, visit, AppointmentState.DONE, catalogue, now=now, origin=origin)
        announce(
            session,
            now=now,
            topic="worksheet.reported",
            client=site.client_id,
            payload={
                "appointment": row.id,
                "visit": visit.id,
                "site": site.id,
                "tasks_done": recorder.tasks_done,
                "tasks_left": recorder.tasks_left,
                "parts_replaced": len(report.replaced),
            },
        )
        return ReportedWork(appointment=row, judged=judged)


def _check_cause(cause: str | None, callbacks: Sequence[CallbackRow], catalogue: Catalogue) -> None:
    if cause is None:
        return
    if cause not in catalogue.faults:
        raise UnknownReference("cause", cause, catalogue.faults)
    if not callbacks:
        raise InvalidInput(f"cause {cause!r} needs a visit that answers a callback")


def move_by_hand(
    database: Database,
    appointment_id: str,
    technician_id: str,
    starts_at: datetime,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
    if_version: int | None = None,
) -> AppointmentRow:
    """Put an appointment at another time or with another technician, as a dispatcher decides.

    Raises
    ------
    Absent
        There is no such appointment or technician.
    InvalidInput
        The time has gone by, or the technician lacks a skill or does not work any more.
    DoubleBooking
        The technician has another appointment at that time.
    HeldForClient
        The technician's time is held for a client.
    """
    now = now.replace(microsecond=0)
    with database.write() as session:
        row = _locked(database, session, appointment_id, technician_id)
        row.expect_version(if_version)
        if row.state not in (AppointmentState.PLANNED, AppointmentState.PROMISED):
            raise InvalidInput(f"an appointment that is {row.state} cannot be moved")
        visit = session.get_one(VisitRow, row.visit_id)
        before = row.technician_id
        slot = _chosen_slot(session, visit, technician_id, starts_at, now)
        topic = reschedule(session, row, slot, now=now)
        session.add(row)
        refuse_held_time(session, [technician_id], now=now)
        refresh_calendars(session, [before, technician_id], catalogue, now=now)
        bump_revision(session, now)
        announce_appointment(session, row, visit, topic=topic, now=now)
        record(session, origin, now=now, verb="move", subject=f"appointment/{row.id}")
        return row


def book_by_hand(
    database: Database,
    visit_id: str,
    technician_id: str,
    starts_at: datetime,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
    if_version: int | None = None,
) -> AppointmentRow:
    """Give an open visit its appointment, as a dispatcher decides, wherever the planner would.

    The site's hours and the drive there are the dispatcher's to judge; what the database refuses
    is two appointments at once.

    Raises
    ------
    Absent, InvalidInput, DoubleBooking
        As for :func:`move_by_hand`.
    Conflict
        The visit is not open.
    """
    now = now.replace(microsecond=0)
    with database.write() as session:
        database.lock(session, technicians=[technician_id])
        visit = session.get(VisitRow, visit_id)
        if visit is None:
            raise Absent("visit", visit_id)
        visit.expect_version(if_version)
        if visit.state != "open":
            raise Conflict(f"visit {visit_id} is {visit.state}, not open")
        slot = _chosen_slot(session, visit, technician_id, starts_at, now)
        row = AppointmentRow(
            id=new_id("ap"),
            visit_id=visit.id,
            technician_id=slot.technician,
            starts_at=slot.starts_at,
            ends_at=slot.ends_at,
            created_at=now,
            revised_at=now,
        )
        visit.state = "booked"
        session.add_all([row, visit])
        refuse_held_time(session, [technician_id], now=now)
        refresh_calendars(session, [technician_id], catalogue, now=now)
        bump_revision(session, now)
        announce_appointment(session, row, visit, topic="appointment.planned", now=now)
        record(session, origin, now=now, verb="book", subject=f"appointment/{row.id}")
        return row


def _chosen_slot(
    session: Session, visit: VisitRow, technician_id: str, starts_at: datetime, now: datetime
) -> Slot:
    """Return the time a dispatcher chose, if the technician can do the work at all."""
    if starts_at < now:
        raise InvalidInput(f"starts_at must not have gone by, got {starts_at.isoformat()}")
    if starts_at > now + _FARTHEST:
        raise InvalidInput(f"starts_at must be within two years, got {starts_at.isoformat()}")
    person = session.get(TechnicianRow, technician_id)
    if person is None or not person.active:
        raise Absent("technician", technician_id)
    if missing := sorted(set(visit.skills) - set(person.skills)):
        raise InvalidInput(f"{person.name} lacks the skill {', '.join(missing)}")
    ends_at = starts_at + timedelta(minutes=visit.minutes)
    return Slot(technician=technician_id, starts_at=starts_at, ends_at=ends_at)


def enter_state(
    session: Session,
    row: AppointmentRow,
    visit: VisitRow,
    to: AppointmentState,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
) -> None:
    """Let an appointment go to another state, and tell everybody whom it concerns.

    The caller has the technician's lock and has settled what becomes of the visit.

    Raises
    ------
    MoveNotAllowed
        The appointment cannot go there from where it is.
    """
    before = AppointmentState(row.state)
    row.state = move(before, to)
    row.sequence += _shows_otherwise(before) != _shows_otherwise(to)
    row.revised_at = now
    session.add_all([row, visit])
    refresh_calendars(session, [row.technician_id], catalogue, now=now)
    if to in (AppointmentState.PLANNED, AppointmentState.PROMISED, AppointmentState.CANCELLED):
        bump_revision(session, now)
    announce_appointment(session, row, visit, topic=_TOPICS[to], now=now)
    record(
        session,
        origin,
        now=now,
        verb=str(to),
        subject=f"appointment/{row.id}",
        before={"state": str(before)},
        after={"state": str(to)},
    )


def _shows_otherwise(state: AppointmentState) -> bool:
    """Whether a calendar shows the state as cancelled: only that change raises SEQUENCE."""
    return state is AppointmentState.CANCELLED


class _Recorder:
    """Writes the work of one visit into the history of its machines."""

    def __init__(
        self,
        session: Session,
        appointment: AppointmentRow,
        visit: VisitRow,
        site: SiteRow,
        catalogue: Catalogue,
        note: str,
        now: datetime,
    ) -> None:
        self._session, self._appointment, self._visit = session, appointment, visit
        self._site, self._catalogue, self._note, self._now = site, catalogue, note, now
        self._today = local_date(now, site.zone)
        self.tasks_done = self.tasks_left = 0

    def tasks(self, done: Sequence[str] | None) -> None:
        """Record the tasks that were done and open the others again."""
        rows = {
            row.id: row
            for row in self._session.exec(
                select(DueTaskRow).where(DueTaskRow.visit_id == self._visit.id)
            )
        }
        if unknown := sorted(set(done or ()) - set(rows)):
            raise InvalidInput(f"tasks_done names tasks not of this visit: {', '.join(unknown)}")
        for task_id in rows if done is None else done:
            self._do(rows[task_id])
        for row in rows.values():
            if row.state == "open":
                row.visit_id = None
                self.tasks_left += 1
            self._session.add(row)

    def replace_part(self, replaced: PartReplaced) -> None:
        """Record a part that was replaced although no task of the visit said so."""
        part = self._part(replaced.fitted_part)
        rule = self._replacing_rule(part.part_type)
        self._work(rule, part.machine_id, part.id, replaced.outcome)
        self._renew(part, replaced.outcome)

    def counters(self, counters: Sequence[ReadCounter]) -> None:
        """Keep counter readings."""
        read = [(each.machine, each.counter) for each in counters]
        for number, each in enumerate(counters):
            if read.index(read[number]) != number:
                raise InvalidInput(
                    f"counters[{number}]: {each.counter} of machine {each.machine} is there twice"
                )
            self._counter(each)

    def readings(self, taken: Sequence[TakenReading]) -> JudgedVisit:
        """Judge and keep values read."""
        return keep_readings(
            self._session,
            taken,
            self._catalogue,
            site=self._site,
            visit=self._visit.id,
            now=self._now,
            today=self._today,
        )

    def _counter(self, read: ReadCounter) -> None:
        machine = self._session.get(MachineRow, read.machine)
        if machine is None or machine.site_id != self._site.id:
            raise InvalidInput(f"machine {read.machine} is not at site {self._site.id}")
        self._session.add(
            MeterReadingRow(
                id=new_id("mr"),
                machine_id=read.machine,
                counter=read.counter,
                value=read.value,
                taken_at=self._now,
            )
        )

    def _do(self, task: DueTaskRow) -> None:
        task.state = "done"
        self.tasks_done += 1
        self._work(task.rule, task.machine_id, task.fitted_part_id, Outcome.PLANNED)
        rule = self._catalogue.rules.get(task.rule)
        if task.fitted_part_id is not None and rule is not None and rule.action is Action.REPLACE:
            self._renew(self._part(task.fitted_part_id), Outcome.PLANNED)

    def _work(self, rule: str, machine: str, part: str | None, outcome: Outcome) -> None:
        self._session.add(
            WorkDoneRow(
                id=new_id("wd"),
                machine_id=machine,
                fitted_part_id=part,
                rule=rule,
                outcome=outcome,
                done_on=self._today,
                technician_id=self._appointment.technician_id,
                visit_id=self._visit.id,
                note=self._note,
            )
        )

    def _renew(self, part: FittedPartRow, outcome: Outcome) -> None:
        """End the life of a part and begin that of its successor in the same position."""
        part.removed_on = self._today
        part.removal = "failure" if outcome is Outcome.FAILURE else "planned"
        successor = FittedPartRow(
            id=new_id("fp"),
            machine_id=part.machine_id,
            part_type=part.part_type,
            position=part.position,
            fitted_on=self._today,
        )
        self._session.add_all([part, successor])

    def _part(self, part_id: str) -> FittedPartRow:
        part = self._session.get(FittedPartRow, part_id)
        machine = None if part is None else self._session.get(MachineRow, part.machine_id)
        if part is None or machine is None or machine.site_id != self._site.id:
            raise InvalidInput(f"part {part_id} is not fitted at site {self._site.id}")
        if part.removed_on is not None:
            raise InvalidInput(f"part {part_id} was taken out on {part.removed_on} already")
        return part

    def _replacing_rule(self, part_type: str) -> str:
        """Return the rule that replaces a type of part, or any rule of it when none does."""
        rules = [rule for rule in self._catalogue.rules.values() if rule.part_type == part_type]
        replacing = [rule.id for rule in rules if rule.action is Action.REPLACE]
        if not rules:
            raise InvalidInput(f"the catalogue has no rule for part type {part_type!r}")
        return (replacing or [rules[0].id])[0]
