"""Values read at a visit: judged, kept, and made into work where they are out of range."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlmodel import Session

from api.actions.standstills import Stop, stop_machine
from api.storage.audit import Origin
from api.storage.due_work import open_task
from api.storage.measurements import measurement_row, readings_by_machine
from api.storage.snapshots import machines_by_id
from api.storage.tables import MachineRow, SiteRow
from scheduler.catalogue import Catalogue
from scheduler.errors import InvalidInput
from scheduler.follow_up import follow_up_tasks, standing_judgements
from scheduler.machines import Machine
from scheduler.plausibility import check_possible
from scheduler.readings import Judgement, Reading, Stage, Verdict, judge
from scheduler.upkeep import DueTask


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenReading:
    """A value as the technician read it."""

    machine: str
    set_point: str
    value: float
    unit: str
    stage: Stage


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedReading:
    """What a value means for its machine; ``name`` is what stands on the machine, tag included."""

    machine: str
    name: str
    judgement: Judgement


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedVisit:
    """The readings of a visit in the order given, and the work that follows from them."""

    readings: tuple[JudgedReading, ...]
    follow_ups: tuple[DueTask, ...]


def keep_readings(
    session: Session,
    taken: Sequence[TakenReading],
    catalogue: Catalogue,
    *,
    site: SiteRow,
    visit: str,
    now: datetime,
    today: date,
    origin: Origin,
) -> JudgedVisit:
    """Judge and store the readings of a visit, and open the work that follows from them.

    A machine left beyond a limit at which it is to be stopped is out of service from now on.

    Raises
    ------
    InvalidInput
        A reading is of no machine of the site, of no set-point of its build, in another unit, no
        number, nothing its instrument can show, or there twice; it is named by its place in the
        list.
    """
    machines = machines_by_id(session, on=today, sites=[site.id])
    judged: list[JudgedReading] = []
    first: dict[tuple[str, str, Stage], int] = {}
    for number, each in enumerate(taken):
        try:
            judgement = _judged(each, machines.get(each.machine), site, catalogue, today)
            earlier = first.setdefault((each.machine, each.set_point, each.stage), number)
            if earlier != number:
                raise InvalidInput(f"the same was read in readings[{earlier}] already")
        except InvalidInput as refusal:
            raise InvalidInput(f"readings[{number}]: {refusal}") from refusal
        row = session.get_one(MachineRow, each.machine)
        name = f"{row.name}, tag {row.tag}"
        judged.append(JudgedReading(machine=row.id, name=name, judgement=judgement))
        session.add(measurement_row(judgement, each.machine, visit=visit, now=now))
    session.flush()
    read = [machines[machine] for machine in sorted({each.machine for each in taken})]
    known = readings_by_machine(session, [machine.id for machine in read])
    fresh = {(each.machine, each.set_point) for each in taken}
    follow_ups: list[DueTask] = []
    for machine in read:
        standing = standing_judgements(known[machine.id], machine, catalogue)
        stops = [
            each
            for each in standing
            if each.verdict is Verdict.STOP_AND_MAKE_SAFE
            and (machine.id, each.reading.set_point) in fresh
        ]
        if stops:
            stop = Stop(
                because=" ".join(each.because for each in stops),
                set_points=tuple(each.reading.set_point for each in stops),
                visit=visit,
            )
            stop_machine(session, machine.id, stop, catalogue, now=now, origin=origin)
        tasks = follow_up_tasks(standing, machine, catalogue)
        follow_ups += [task for task in tasks if task.anchor == today]
    for task in follow_ups:
        open_task(session, task)
    return JudgedVisit(readings=tuple(judged), follow_ups=tuple(follow_ups))


def _judged(
    taken: TakenReading,
    machine: Machine | None,
    site: SiteRow,
    catalogue: Catalogue,
    today: date,
) -> Judgement:
    if machine is None:
        raise InvalidInput(f"machine {taken.machine} is not at site {site.id}")
    point = catalogue.set_points.get(taken.set_point)
    if point is None:
        raise InvalidInput(f"the catalogue has no set-point {taken.set_point!r}")
    if not machine.build.suits(point.applies_to):
        raise InvalidInput(f"{point.name} ({point.id}) is not read on a machine built like this")
    reading = Reading(
        set_point=taken.set_point,
        value=taken.value,
        unit=taken.unit,
        stage=taken.stage,
        taken_on=today,
    )
    judgement = judge(reading, point)
    check_possible(judgement.reading.value, point)
    return judgement
