"""What the water of a site does to the boilers there, judged from what somebody measured."""

from dataclasses import dataclass

from sqlmodel import Session, col, select

from api.storage.snapshots import build_of
from api.storage.tables import MachineRow, SiteRow
from scheduler.catalogue import Catalogue, SetPoint
from scheduler.errors import UnknownReference
from scheduler.readings import set_points_for
from scheduler.steam import boiler_celsius
from scheduler.water_balance import USUAL_SOLIDS_MG_L, WaterAdvice, WaterAnalysis, advise_water

_STEAM = "steam_pressure_"
"""How the set-points of the catalogue begin that a steam boiler's pressure lies in."""

_TREATED = "treated_hardness"
"""The set-point of the catalogue that treated water lies in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BoilerWater:
    """What the water does to the boiler of one machine, in the middle of its pressure range."""

    machine: str
    gauge_bar: float
    advice: WaterAdvice


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedWater:
    """``not_measured`` are the fields of the site that a test of the water should fill."""

    not_measured: tuple[str, ...]
    boilers: tuple[BoilerWater, ...]
    because: str


def water_of_site(session: Session, catalogue: Catalogue, site: SiteRow) -> JudgedWater:
    """Return what the supply does to each boiler at a site.

    Raises
    ------
    UnknownReference
        The catalogue does not say how hard treated water should be.
    """
    tested = ("water_ph", "alkalinity_mg_l", "calcium_dh", "solids_mg_l")
    missing = tuple(name for name in tested if getattr(site, name) is None)
    if site.water_ph is None or site.alkalinity_mg_l is None:
        because = (
            "Nothing can be said yet: measure pH and alkalinity of the cold supply, before any "
            "filter, and write them into the site."
        )
        return JudgedWater(not_measured=missing, boilers=(), because=because)
    if _TREATED not in catalogue.set_points:
        raise UnknownReference("set-point", _TREATED, catalogue.set_points)
    treated = catalogue.set_points[_TREATED]
    water = WaterAnalysis(
        hardness_dh=site.hardness_dh,
        calcium_dh=site.calcium_dh,
        ph=site.water_ph,
        alkalinity_mg_l=site.alkalinity_mg_l,
        solids_mg_l=site.solids_mg_l or USUAL_SOLIDS_MG_L,
    )
    boilers = []
    for row in session.exec(
        select(MachineRow)
        .where(MachineRow.site_id == site.id, col(MachineRow.retired_on).is_(None))
        .order_by(col(MachineRow.id))
    ):
        pressure = _steam_pressure(row, catalogue)
        if pressure is None:
            continue
        gauge_bar = (pressure.low + pressure.high) / 2
        celsius = boiler_celsius(gauge_bar, site.altitude_metres)
        advice = advise_water(water, celsius, low=treated.low, high=treated.high)
        boilers.append(BoilerWater(machine=row.id, gauge_bar=gauge_bar, advice=advice))
    return JudgedWater(
        not_measured=missing, boilers=tuple(boilers), because=_because(boilers, missing)
    )


def _steam_pressure(row: MachineRow, catalogue: Catalogue) -> SetPoint | None:
    points = set_points_for(build_of(row), catalogue)
    return next((point for point in points if point.id.startswith(_STEAM)), None)


def _because(boilers: list[BoilerWater], missing: tuple[str, ...]) -> str:
    if not boilers:
        return "No machine at this site has a steam boiler."
    hottest = max(boilers, key=lambda boiler: boiler.advice.celsius)
    said = hottest.advice.because
    if "calcium_dh" in missing:
        said += " All hardness is taken for calcium, which errs towards scale."
    return said
