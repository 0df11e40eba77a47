"""How much a machine is used by its counters, and when that makes work due."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time

from sqlmodel import Session

from api.storage.interval_decisions import interval_decisions
from api.storage.snapshots import machines_by_id, sites_by_id
from scheduler.catalogue import Catalogue, Counter
from scheduler.duty import Duty, counter_limit_at, measured_duty, stated_duty
from scheduler.errors import Absent
from scheduler.machines import Machine
from scheduler.meters import Forecast, Usage, usage
from scheduler.upkeep import due_tasks


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitAhead:
    """A rule that goes by a counter: from when it counts, how far, and when that is reached."""

    rule: str
    fitted_part: str | None
    since: date
    limit: float
    forecast: Forecast


@dataclass(frozen=True, slots=True, kw_only=True)
class CounterUse:
    """What the readings of one counter say."""

    counter: Counter
    usage: Usage
    limits: tuple[LimitAhead, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineUse:
    """The pace of a machine, and each of its counters."""

    duty: Duty
    counters: tuple[CounterUse, ...]


def use_of_machine(
    session: Session, catalogue: Catalogue, machine_id: str, *, today: date
) -> MachineUse:
    """Return the use of a machine, odd readings named and left out.

    Raises
    ------
    Absent
        There is no such machine in service.
    """
    machine = machines_by_id(session, [machine_id], on=today).get(machine_id)
    if machine is None:
        raise Absent("machine in service", machine_id)
    site = sites_by_id(session, [machine.site], from_day=today)[machine.site]
    duty = measured_duty(machine, catalogue, hardness_dh=site.hardness_dh)
    stated = stated_duty(machine, catalogue, hardness_dh=site.hardness_dh)
    tasks = due_tasks(
        machine, catalogue, duty, until=date.max, decisions=interval_decisions(session)
    )
    counters = []
    for counter in sorted({reading.counter for reading in machine.meter_readings}):
        found = _usage(machine, counter, stated, duty)
        limits = []
        for task in tasks:
            interval = catalogue.rules[task.rule].interval
            limit = counter_limit_at(interval, duty)
            if interval.counter is counter and limit is not None:
                since = datetime.combine(task.anchor, time(), UTC)
                limits.append(
                    LimitAhead(
                        rule=task.rule,
                        fitted_part=task.fitted_part,
                        since=task.anchor,
                        limit=limit,
                        forecast=found.forecast(since, limit),
                    )
                )
        counters.append(CounterUse(counter=counter, usage=found, limits=tuple(limits)))
    return MachineUse(duty=duty, counters=tuple(counters))


def _usage(machine: Machine, counter: Counter, stated: Duty, duty: Duty) -> Usage:
    readings = [each for each in machine.meter_readings if each.counter is counter]
    return usage(readings, stated_per_day=stated.rates.get(counter, 0.0), season=duty.season)
