"""The company changes what clients may do by themselves."""

from collections.abc import Mapping
from datetime import datetime

from api.storage.audit import Origin, record
from api.storage.booking_rules import booking_rules
from api.storage.database import Database
from api.storage.tables import BookingRulesRow


def change_booking_rules(
    database: Database,
    rules: Mapping[str, int | str],
    *,
    if_version: int,
    now: datetime,
    origin: Origin,
) -> BookingRulesRow:
    """Put rules in force by the names of their columns; whoever asks next goes by them.

    Raises
    ------
    StaleVersion
        The rules have changed since the caller read them.
    """
    with database.write() as session:
        row = booking_rules(session)
        row.expect_version(if_version)
        before = {name: getattr(row, name) for name in rules}
        for name, value in rules.items():
            setattr(row, name, value)
        changed = {name for name, value in rules.items() if before[name] != value}
        if changed:
            record(
                session,
                origin,
                now=now,
                verb="change",
                subject="booking_rules/1",
                before={name: before[name] for name in sorted(changed)},
                after={name: rules[name] for name in sorted(changed)},
            )
        return row
