"""Rows → what the records tell of the lives of parts and the failures of machines."""

from collections import defaultdict
from collections.abc import Collection
from datetime import date
from typing import Any

from sqlalchemy import select as columns
from sqlmodel import Session, col, func, select

from api.storage.tables import ContractRow, FittedPartRow, MachineRow, SiteRow, WorkDoneRow
from scheduler.catalogue import Catalogue
from scheduler.duty import duty_class
from scheduler.machines import Outcome
from scheduler.wear.part_wear import RENEWING
from scheduler.wear.records import PartRecord, Renewal


def records_begin(session: Session) -> date | None:
    """Return the first day on which a failure or a removal was written down, None without any."""
    days = [
        session.exec(select(func.min(FittedPartRow.removed_on))).one(),
        session.exec(
            select(func.min(WorkDoneRow.done_on)).where(WorkDoneRow.outcome == Outcome.FAILURE)
        ).one(),
    ]
    return min((day for day in days if day is not None), default=None)


def fitted_pieces(
    session: Session,
    *,
    machines: Collection[str] | None = None,
    sites: Collection[str] | None = None,
) -> dict[str, int]:
    """Return how many of each part are fitted in machines in use, all or only some of them."""
    statement = (
        select(FittedPartRow.part_type, func.count())
        .join(MachineRow, col(MachineRow.id) == col(FittedPartRow.machine_id))
        .where(col(FittedPartRow.removed_on).is_(None), col(MachineRow.retired_on).is_(None))
        .group_by(FittedPartRow.part_type)
    )
    if machines is not None:
        statement = statement.where(col(MachineRow.id).in_(machines))
    if sites is not None:
        statement = statement.where(col(MachineRow.site_id).in_(sites))
    return dict(session.exec(statement).all())


def part_records(
    session: Session,
    catalogue: Catalogue,
    *,
    on: date,
    part_types: Collection[str] | None = None,
    machines: Collection[str] | None = None,
) -> tuple[PartRecord, ...]:
    """Return fitted parts, removed ones too, as they stood on a day, in order of id.

    Failures of a machine are taken to be written down from the start of the site's contract, and
    none before the company's own records begin.

    Parameters
    ----------
    part_types, machines
        Only parts of these types, or in these machines; no restriction when None.
    """
    begin = records_begin(session) or on
    conditions: list[Any] = [FittedPartRow.fitted_on <= on]
    if part_types is not None:
        conditions.append(col(FittedPartRow.part_type).in_(part_types))
    if machines is not None:
        conditions.append(col(FittedPartRow.machine_id).in_(machines))
    renewals = _renewals(session, catalogue, on, conditions)
    wanted: list[Any] = [
        *(FittedPartRow.id, FittedPartRow.part_type, FittedPartRow.machine_id),
        *(FittedPartRow.position, FittedPartRow.fitted_on, FittedPartRow.removed_on),
        *(FittedPartRow.removal, MachineRow.drinks_per_day, ContractRow.starts_on),
    ]
    rows = session.execute(
        columns(*wanted)
        .join(MachineRow, col(MachineRow.id) == col(FittedPartRow.machine_id))
        .join(SiteRow, col(SiteRow.id) == col(MachineRow.site_id))
        .join(ContractRow, col(ContractRow.id) == col(SiteRow.contract_id))
        .where(*conditions)
        .order_by(col(FittedPartRow.id))
    )  # tens of thousands of rows: no object for each
    records = []
    for part, part_type, machine, position, fitted_on, removed_on, removal, drinks, since in rows:
        out = removed_on if removed_on is not None and removed_on <= on else None
        records.append(
            PartRecord(
                part=part,
                part_type=part_type,
                machine=machine,
                position=position,
                duty=duty_class(drinks),
                fitted_on=fitted_on,
                removed_on=out,
                failed=out is not None and removal == "failure",
                renewals=tuple(
                    renewal
                    for renewal in renewals[part]
                    if renewal.on > fitted_on and (out is None or renewal.on < out)
                ),
                records_begin=max(begin, since),
            )
        )
    return tuple(records)


def _renewals(
    session: Session, catalogue: Catalogue, on: date, conditions: list[Any]
) -> defaultdict[str, list[Renewal]]:
    renewing = [rule.id for rule in catalogue.rules.values() if rule.action in RENEWING]
    found: defaultdict[str, list[Renewal]] = defaultdict(list)
    works = session.execute(
        columns(col(WorkDoneRow.fitted_part_id), col(WorkDoneRow.done_on), col(WorkDoneRow.outcome))
        .join(FittedPartRow, col(FittedPartRow.id) == col(WorkDoneRow.fitted_part_id))
        .where(col(WorkDoneRow.rule).in_(renewing), col(WorkDoneRow.done_on) <= on, *conditions)
    )
    for part, done_on, outcome in works:
        found[part].append(Renewal(on=done_on, failed=outcome == Outcome.FAILURE))
    return found
