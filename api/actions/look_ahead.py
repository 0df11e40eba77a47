"""The work, parts and money of the months to come: of a machine, a site, a contract, everybody."""

from collections.abc import Collection
from datetime import date

from sqlmodel import Session

from api.storage.interval_decisions import interval_decisions
from api.storage.snapshots import machines_by_id, sites_by_id
from scheduler.catalogue import Catalogue
from scheduler.duty import measured_duty
from scheduler.outlook import MonthAhead, combined, months_ahead

HOUR_RATE_MINOR = 6500
"""What an hour of a technician costs (common practice, no source)."""


def outlook(
    session: Session,
    catalogue: Catalogue,
    *,
    today: date,
    months: int = 12,
    machines: Collection[str] | None = None,
    sites: Collection[str] | None = None,
) -> tuple[MonthAhead, ...]:
    """Return the recurring work of the months to come, from today, month by month.

    Parameters
    ----------
    machines, sites
        Only of these machines, or of the machines at these sites; of all when None.
    """
    fleet = machines_by_id(session, machines, on=today, sites=sites)
    hardness = {
        site.id: site.hardness_dh
        for site in sites_by_id(
            session, {machine.site for machine in fleet.values()}, from_day=today
        ).values()
    }
    decisions = interval_decisions(session)
    return combined(
        months_ahead(
            machine,
            catalogue,
            measured_duty(machine, catalogue, hardness_dh=hardness[machine.site]),
            start=today,
            hour_rate_minor=HOUR_RATE_MINOR,
            months=months,
            decisions=decisions,
        )
        for machine in fleet.values()
    )
