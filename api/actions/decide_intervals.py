"""The company's own intervals: decided, looked at beforehand, withdrawn; and changed rules."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

from sqlmodel import Session, col, select

from api.storage.audit import Origin, record
from api.storage.database import Database
from api.storage.ids import new_id
from api.storage.interval_decisions import decision_of, interval_decisions
from api.storage.snapshots import company_zone, machines_by_id, sites_by_id
from api.storage.tables import IntervalDecisionRow, MachineRow
from scheduler.catalogue import Catalogue
from scheduler.due_changes import DueChanges, due_changes
from scheduler.duty import measured_duty
from scheduler.errors import Absent, InvalidInput
from scheduler.spacing import IntervalDecision, check_decision
from scheduler.upkeep import DueTask, due_tasks
from scheduler.working_time import local_date


@dataclass(frozen=True, slots=True, kw_only=True)
class WantedInterval:
    """A rule's work every so many months, on one machine or (``machine`` None) on all."""

    rule: str
    months: float
    reason: str
    machine: str | None = None


def decide_interval(
    database: Database,
    wanted: WantedInterval,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
) -> IntervalDecisionRow:
    """Record a decision; it takes the place of the one that stood for the same rule and machines.

    Raises
    ------
    InvalidInput
        The rule or the machine does not exist, or goes by no calendar interval.
    DecisionBeyondLimit
        The law or the maker asks for the work more often.
    """
    with database.write() as session:
        today = local_date(now, company_zone(session))
        decision = _decision(session, wanted, catalogue, by=origin.actor, on=today)
        for standing in _standing(session, wanted):
            standing.withdrawn_on = today
            session.add(standing)
        row = IntervalDecisionRow(
            id=new_id("de"),
            rule=decision.rule,
            machine_id=decision.machine,
            months=decision.months,
            decided_by=decision.decided_by,
            decided_on=decision.decided_on,
            reason=decision.reason,
        )
        session.add(row)
        record(
            session,
            origin,
            now=now,
            verb="decide",
            subject=f"interval_decision/{row.id}",
            after={"rule": row.rule, "machine": row.machine_id, "months": row.months},
        )
        return row


def withdraw_decision(
    database: Database, decision_id: str, *, now: datetime, origin: Origin, if_version: int
) -> IntervalDecisionRow:
    """End a decision: the catalogue's interval holds again. Nothing happens to one ended before.

    Raises
    ------
    Absent, StaleVersion
        There is no such decision, or it has changed since the caller read it.
    """
    with database.write() as session:
        row = session.get(IntervalDecisionRow, decision_id)
        if row is None:
            raise Absent("interval decision", decision_id)
        row.expect_version(if_version)
        if row.withdrawn_on is None:
            row.withdrawn_on = local_date(now, company_zone(session))
            session.add(row)
            subject = f"interval_decision/{row.id}"
            record(session, origin, now=now, verb="withdraw", subject=subject)
        return row


def preview_interval(
    session: Session, wanted: WantedInterval, catalogue: Catalogue, *, today: date
) -> DueChanges:
    """Return what a decision would do to the dates of the work to come, without recording it.

    Raises
    ------
    InvalidInput, DecisionBeyondLimit
        As for :func:`decide_interval`.
    """
    decision = _decision(session, wanted, catalogue, by="preview", on=today)
    replaced = {decision_of(row) for row in _standing(session, wanted)}
    standing = interval_decisions(session)
    after = [*(each for each in standing if each not in replaced), decision]
    return due_changes(
        _next_tasks(session, catalogue, standing, today),
        _next_tasks(session, catalogue, after, today),
    )


def preview_catalogue(
    session: Session, catalogue: Catalogue, changed: Catalogue, *, today: date
) -> DueChanges:
    """Return what another catalogue would do to the dates of the work to come."""
    standing = interval_decisions(session)
    return due_changes(
        _next_tasks(session, catalogue, standing, today),
        _next_tasks(session, changed, standing, today),
    )


def _decision(
    session: Session, wanted: WantedInterval, catalogue: Catalogue, *, by: str, on: date
) -> IntervalDecision:
    decision = IntervalDecision(
        rule=wanted.rule,
        months=wanted.months,
        decided_by=by,
        decided_on=on,
        reason=wanted.reason,
        machine=wanted.machine,
    )
    check_decision(decision, catalogue)
    if not catalogue.rules[wanted.rule].interval.months_by_drinks:
        raise InvalidInput(f"rule {wanted.rule} goes by a counter alone: no months to decide")
    if wanted.machine is not None and session.get(MachineRow, wanted.machine) is None:
        raise InvalidInput(f"machine names no machine: got {wanted.machine!r}")
    return decision


def _standing(session: Session, wanted: WantedInterval) -> Sequence[IntervalDecisionRow]:
    """Return the decisions that a new one takes the place of."""
    return session.exec(
        select(IntervalDecisionRow).where(
            IntervalDecisionRow.rule == wanted.rule,
            col(IntervalDecisionRow.machine_id).is_(wanted.machine)
            if wanted.machine is None
            else IntervalDecisionRow.machine_id == wanted.machine,
            col(IntervalDecisionRow.withdrawn_on).is_(None),
        )
    ).all()


def _next_tasks(
    session: Session,
    catalogue: Catalogue,
    decisions: Sequence[IntervalDecision],
    today: date,
) -> list[DueTask]:
    """Return the next task of every rule and part of every machine, however far away."""
    sites = sites_by_id(session, from_day=today)
    return [
        # what is overdue either way is done as soon as possible either way
        replace(task, target=max(task.target, today), latest=max(task.latest, today))
        for machine in machines_by_id(session, on=today).values()
        for task in due_tasks(
            machine,
            catalogue,
            measured_duty(machine, catalogue, hardness_dh=sites[machine.site].hardness_dh),
            until=date.max,
            decisions=decisions,
        )
    ]
