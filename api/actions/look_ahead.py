"""The work, parts and money of the months to come: of a machine, a site, a contract, everybody."""

from collections import defaultdict
from collections.abc import Collection
from datetime import date

from sqlmodel import Session

from api.actions.raise_due_work import is_ours
from api.storage.interval_decisions import interval_decisions
from api.storage.part_records import fitted_pieces, part_records
from api.storage.snapshots import contracts_by_id, machines_by_id, sites_by_id
from scheduler.bundling_policy import BundlingPolicy
from scheduler.catalogue import Catalogue
from scheduler.duty import measured_duty
from scheduler.machines import Machine
from scheduler.outlook import MonthAhead, combined, months_ahead
from scheduler.parting import SiteHours
from scheduler.upgrades import Upgrade, upgrade_for
from scheduler.visit_estimate import VisitEstimates
from scheduler.wear.part_wear import known_laws
from scheduler.wear.records import lives_by_kind
from scheduler.year_of_visits import Period, year_of_sites, year_of_visits

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


def upgrades_ahead(
    session: Session,
    catalogue: Catalogue,
    *,
    machines: Collection[str] | None = None,
    sites: Collection[str] | None = None,
) -> list[tuple[Upgrade, int]]:
    """Return what to offer for the superseded parts of these machines, each with its pieces."""
    fitted = fitted_pieces(session, machines=machines, sites=sites)
    offers = (
        (upgrade_for(part, catalogue), pieces)
        for part, pieces in sorted(fitted.items())
        if part in catalogue.part_types
    )
    return [(offer, pieces) for offer, pieces in offers if offer is not None]


def visits_ahead(
    session: Session, catalogue: Catalogue, *, today: date, policy: BundlingPolicy
) -> tuple[Period, ...]:
    """Return a year of the company's visits: what they cost shared, and one for each task."""
    sites = sites_by_id(session, from_day=today)
    contracts = contracts_by_id(session, from_day=today)
    at_site: defaultdict[str, list[Machine]] = defaultdict(list)
    for machine in machines_by_id(session, on=today).values():
        at_site[machine.site].append(machine)
    laws = known_laws(lives_by_kind(part_records(session, catalogue, on=today), today), catalogue)
    decisions = interval_decisions(session)
    estimates = VisitEstimates(catalogue)
    return year_of_sites(
        year_of_visits(
            at_site[site.id],
            catalogue,
            policy,
            {
                machine.id: measured_duty(machine, catalogue, hardness_dh=site.hardness_dh)
                for machine in at_site[site.id]
            },
            start=today,
            hours=SiteHours.of(site),
            estimates=estimates,
            laws=laws,
            decisions=decisions,
            asked_for=frozenset(
                rule.id
                for rule in catalogue.rules.values()
                if is_ours(rule, contracts[site.contract])
            ),
        )
        for site in sites.values()
        if at_site[site.id]
    )
