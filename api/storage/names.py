"""What the people concerned call technicians, machines and sites, by id."""

from collections.abc import Collection
from dataclasses import dataclass

from sqlmodel import Session, col, select

from api.storage.tables import MachineRow, SiteRow, TechnicianRow, VisitRow


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedSite:
    """A site as somebody knows it."""

    id: str
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedMachine:
    """A machine as somebody knows it, and where it stands."""

    name: str
    site: NamedSite


def technician_names(session: Session, technicians: Collection[str]) -> dict[str, str]:
    """Return the name of each of these technicians."""
    wanted = select(TechnicianRow.id, TechnicianRow.name)
    return dict(session.exec(wanted.where(col(TechnicianRow.id).in_(technicians))).all())


def named_sites(session: Session, visits: Collection[str]) -> dict[str, NamedSite]:
    """Return the site of each of these visits."""
    found = session.exec(
        select(VisitRow.id, SiteRow.id, SiteRow.name)
        .join(SiteRow, col(SiteRow.id) == col(VisitRow.site_id))
        .where(col(VisitRow.id).in_(visits))
    )
    return {visit: NamedSite(id=site, name=name) for visit, site, name in found}


def named_machines(session: Session, machines: Collection[str]) -> dict[str, NamedMachine]:
    """Return each of these machines with its site."""
    found = session.exec(
        select(MachineRow.id, MachineRow.name, SiteRow.id, SiteRow.name)
        .join(SiteRow, col(SiteRow.id) == col(MachineRow.site_id))
        .where(col(MachineRow.id).in_(machines))
    )
    return {
        machine: NamedMachine(name=name, site=NamedSite(id=site, name=site_name))
        for machine, name, site, site_name in found
    }
