"""Everything that happened to one machine, as one story."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from sqlmodel import Session, select

from api.storage.examinations import STANDING, certificate_of, last_examinations
from api.storage.tables import (
    CallbackRow,
    ExaminationRow,
    FittedPartRow,
    MeasurementRow,
    StandstillRow,
    WorkDoneRow,
)
from scheduler.catalogue import Catalogue
from scheduler.spacing import holds_until

Kind = Literal[
    "part_fitted",
    "part_removed",
    "work_done",
    "measured",
    "fault_reported",
    "stopped",
    "put_back",
    "examined",
    "certificate_ran_out",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Happening:
    """One thing that happened, in words; ``record`` is the id of the row that says so."""

    on: date
    kind: Kind
    record: str
    what: str


def machine_history(
    session: Session, catalogue: Catalogue, machine: str, *, today: date
) -> list[Happening]:
    """Return what happened to a machine, the latest first."""
    found = [
        *_parts(session, catalogue, machine),
        *_work(session, catalogue, machine),
        *_measurements(session, machine),
        *_faults(session, catalogue, machine),
        *_standstills(session, machine),
        *_examinations(session, catalogue, machine, today),
    ]
    found.sort(key=lambda each: (each.on, each.record), reverse=True)
    return found


def _parts(session: Session, catalogue: Catalogue, machine: str) -> Iterator[Happening]:
    for row in session.exec(select(FittedPartRow).where(FittedPartRow.machine_id == machine)):
        known = catalogue.part_types.get(row.part_type)
        name = f"{known.name if known else row.part_type}, {row.position}"
        yield Happening(on=row.fitted_on, kind="part_fitted", record=row.id, what=name)
        if row.removed_on is not None:
            why = "failed" if row.removal == "failure" else "replaced as planned"
            what = f"{name}: {why} after {(row.removed_on - row.fitted_on).days} days"
            yield Happening(on=row.removed_on, kind="part_removed", record=row.id, what=what)


def _work(session: Session, catalogue: Catalogue, machine: str) -> Iterator[Happening]:
    for row in session.exec(select(WorkDoneRow).where(WorkDoneRow.machine_id == machine)):
        rule = catalogue.rules.get(row.rule)
        note = f": {row.note}" if row.note else ""
        what = f"{rule.name if rule else row.rule} ({row.outcome}){note}"
        yield Happening(on=row.done_on, kind="work_done", record=row.id, what=what)


def _measurements(session: Session, machine: str) -> Iterator[Happening]:
    for row in session.exec(select(MeasurementRow).where(MeasurementRow.machine_id == machine)):
        what = f"{row.stage.replace('_', ' ')}: {row.because}"
        yield Happening(on=row.taken_on, kind="measured", record=row.id, what=what)


def _faults(session: Session, catalogue: Catalogue, machine: str) -> Iterator[Happening]:
    for row in session.exec(select(CallbackRow).where(CallbackRow.machine_id == machine)):
        names = [
            catalogue.symptoms[each].name for each in row.symptoms if each in catalogue.symptoms
        ]
        cause = catalogue.faults.get(row.cause or "")
        found = f"; found: {cause.name}" if cause else ""
        what = f"{', '.join(names) or row.text or 'fault not described'} ({row.urgency}){found}"
        yield Happening(on=row.reported_at.date(), kind="fault_reported", record=row.id, what=what)


def _standstills(session: Session, machine: str) -> Iterator[Happening]:
    for row in session.exec(select(StandstillRow).where(StandstillRow.machine_id == machine)):
        what = f"stopped and made safe: {row.because}"
        yield Happening(on=row.began_at.date(), kind="stopped", record=row.id, what=what)
        if row.ended_at is not None:
            answers = f", {row.ended_for} answering for it" if row.ended_for else ""
            what = f"put back into service by {row.ended_by}{answers}: {row.ended_because}"
            yield Happening(on=row.ended_at.date(), kind="put_back", record=row.id, what=what)


def _examinations(
    session: Session, catalogue: Catalogue, machine: str, today: date
) -> Iterator[Happening]:
    def name(row: ExaminationRow) -> str:
        rule = catalogue.rules.get(row.rule)
        return rule.name if rule else row.rule

    statement = select(ExaminationRow).where(ExaminationRow.machine_id == machine, STANDING)
    for row in session.exec(statement):
        result = row.result.replace("_", " ")
        what = f"{name(row)}: {result}, certificate {row.certificate} of {row.competent_person}"
        yield Happening(on=row.examined_on, kind="examined", record=row.id, what=what)
    for row in last_examinations(session, [machine], on=today):
        until = holds_until(certificate_of(row), catalogue.rules.get(row.rule))
        if until is not None and until < today:
            on = until + timedelta(days=1)
            what = f"{name(row)}: certificate {row.certificate} ran out on {until}"
            yield Happening(on=on, kind="certificate_ran_out", record=row.id, what=what)
