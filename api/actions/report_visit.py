"""What was done at a visit: reported by whoever was there, and written into the history."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlmodel import Session, select

from api.actions.appointments import appointment_by_id, enter_state, locked_appointment
from api.actions.examinations import raise_next
from api.actions.keep_counters import check_meter_reading, notice_of_fall
from api.actions.keep_readings import JudgedVisit, TakenReading, keep_readings
from api.actions.lay_out import technicians_coming
from api.actions.take_callback import announce_callback
from api.storage.audit import Origin, announce
from api.storage.database import Database
from api.storage.examinations import last_examinations, note_certified_until
from api.storage.ids import new_id
from api.storage.stays import correct_stay
from api.storage.tables import (
    AppointmentRow,
    CallbackRow,
    DueTaskRow,
    FittedPartRow,
    MachineRow,
    MeterReadingRow,
    SiteRow,
    VisitRow,
    WorkDoneRow,
)
from scheduler.catalogue import Action, Authority, Catalogue, Counter
from scheduler.errors import InvalidInput, UnknownReference
from scheduler.lifecycle import AppointmentState
from scheduler.machines import Outcome
from scheduler.working_time import local_date


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
    tasks_done : ids of the due tasks that were done; None means all of the visit, unless what was
        read makes follow-up work: then it has to be said.
    replaced : parts replaced beyond what the tasks themselves replace.
    readings : values read, as found and as left.
    cause : the fault of the catalogue that was found, at a visit for a callback.
    note : kept with the work, for whoever comes next.
    set_out_at, arrived_at, left_at : when they set out for the site, came and went, where they say
        so; else they came when they began the visit and go now.
    """

    tasks_done: tuple[str, ...] | None = None
    replaced: tuple[PartReplaced, ...] = ()
    counters: tuple[ReadCounter, ...] = ()
    readings: tuple[TakenReading, ...] = ()
    cause: str | None = None
    note: str = ""
    set_out_at: datetime | None = None
    arrived_at: datetime | None = None
    left_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportedWork:
    """The appointment as done, what the readings of the visit mean, and counters that fell."""

    appointment: AppointmentRow
    judged: JudgedVisit
    counter_notices: tuple[str, ...]


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
        value twice, in another unit or beyond what can be, a cause that is unknown or of a visit
        without callback, or times that are not in order; or it makes follow-up work and does not
        say which tasks were done.
    """
    now = now.replace(microsecond=0)
    with database.write() as session:
        row = appointment_by_id(session, appointment_id, technician=technician)
        # a machine that is stopped changes what others are to do there
        coming = technicians_coming(session, session.get_one(VisitRow, row.visit_id).site_id)
        row = locked_appointment(database, session, appointment_id, *coming, technician=technician)
        row.expect_version(if_version)
        visit = session.get_one(VisitRow, row.visit_id)
        site = session.get_one(SiteRow, visit.site_id)
        report = _without_tags(session, report, site)
        recorder = _Recorder(session, row, visit, site, catalogue, report.note, now)
        recorder.tasks(report.tasks_done)
        for replaced in report.replaced:
            recorder.replace_part(replaced)
        recorder.counters(report.counters)
        judged = recorder.readings(report.readings, origin)
        if report.tasks_done is None and recorder.tasks_done:
            _refuse_all_done(judged)
        visit.state = "done"
        callbacks = session.exec(select(CallbackRow).where(CallbackRow.visit_id == visit.id)).all()
        _check_cause(report.cause, callbacks, catalogue)
        for callback in callbacks:
            callback.state, callback.cause = "done", report.cause
            session.add(callback)
            announce_callback(session, callback, topic="callback.done", now=now)
        enter_state(session, row, visit, AppointmentState.DONE, catalogue, now=now, origin=origin)
        correct_stay(
            session,
            row.id,
            set_out_at=report.set_out_at,
            arrived_at=report.arrived_at,
            left_at=report.left_at,
            now=now,
        )
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
        return ReportedWork(
            appointment=row, judged=judged, counter_notices=tuple(recorder.counter_notices)
        )


def _without_tags(session: Session, report: VisitReport, site: SiteRow) -> VisitReport:
    """Return a report that names machines by their ids, where it named them by their tags."""
    tagged = dict(
        session.exec(
            select(MachineRow.tag, MachineRow.id).where(MachineRow.site_id == site.id)
        ).all()
    )
    ids = {**tagged, **{machine: machine for machine in tagged.values()}}
    return replace(
        report,
        counters=tuple(
            replace(read, machine=ids.get(read.machine, read.machine)) for read in report.counters
        ),
        readings=tuple(
            replace(read, machine=ids.get(read.machine, read.machine)) for read in report.readings
        ),
    )


def _check_cause(cause: str | None, callbacks: Sequence[CallbackRow], catalogue: Catalogue) -> None:
    if cause is None:
        return
    if cause not in catalogue.faults:
        raise UnknownReference("cause", cause, catalogue.faults)
    if not callbacks:
        raise InvalidInput(f"cause {cause!r} needs a visit that answers a callback")


def _refuse_all_done(judged: JudgedVisit) -> None:
    """Take nobody to have done everything where a reading says that something is left to do."""
    for number, each in enumerate(judged.readings):
        if each.judgement.needs_follow_up:
            raise InvalidInput(
                f"readings[{number}] makes follow-up work ({each.judgement.because}): say in "
                "tasks_done which tasks were done, none of them as []"
            )


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
        self.counter_notices: list[str] = []

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
            try:
                self._counter(each)
            except InvalidInput as refusal:
                raise InvalidInput(f"counters[{number}]: {refusal}") from refusal

    def readings(self, taken: Sequence[TakenReading], origin: Origin) -> JudgedVisit:
        """Judge and keep values read."""
        return keep_readings(
            self._session,
            taken,
            self._catalogue,
            site=self._site,
            visit=self._visit.id,
            now=self._now,
            today=self._today,
            origin=origin,
        )

    def _counter(self, read: ReadCounter) -> None:
        machine = self._session.get(MachineRow, read.machine)
        if machine is None or machine.site_id != self._site.id:
            raise InvalidInput(f"machine {read.machine} is not at site {self._site.id}")
        row = MeterReadingRow(
            id=new_id("mr"),
            machine_id=read.machine,
            counter=read.counter,
            value=read.value,
            taken_at=self._now,
        )
        check_meter_reading(self._session, row, self._catalogue, now=self._now)
        if notice := notice_of_fall(self._session, row):
            self.counter_notices.append(notice)
        self._session.add(row)

    def _do(self, task: DueTaskRow) -> None:
        task.state = "done"
        self.tasks_done += 1
        rule = self._catalogue.rules.get(task.rule)
        if rule is not None and rule.authority is Authority.STATUTE:
            self._expect_certificate(task, rule.name)  # which is the record of it
            raise_next(
                self._session,
                task.machine_id,
                task.rule,
                task.fitted_part_id,
                self._catalogue,
                today=self._today,
            )
            return
        self._work(task.rule, task.machine_id, task.fitted_part_id, Outcome.PLANNED)
        if task.fitted_part_id is not None and rule is not None and rule.action is Action.REPLACE:
            self._renew(self._part(task.fitted_part_id), Outcome.PLANNED)

    def _expect_certificate(self, task: DueTaskRow, name: str) -> None:
        """Take no visit for a statutory examination: only a certificate newer than the last is."""
        if not any(
            (each.rule, each.fitted_part_id) == (task.rule, task.fitted_part_id)
            and each.examined_on > task.anchor
            for each in last_examinations(self._session, [task.machine_id], on=self._today)
        ):
            raise InvalidInput(
                f"task {task.id} ({name}) is done by a competent person's certificate, not by a "
                "visit: record it with POST /v1/examinations first, or leave the task out of "
                "tasks_done"
            )

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
        note_certified_until(self._session, self._catalogue, [part.machine_id], on=self._today)

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
        rules = [
            rule
            for rule in self._catalogue.rules.values()
            if rule.part_type == part_type and rule.authority is not Authority.STATUTE
        ]
        replacing = [rule.id for rule in rules if rule.action is Action.REPLACE]
        if not rules:
            raise InvalidInput(f"the catalogue has no rule for part type {part_type!r}")
        return (replacing or [rules[0].id])[0]
