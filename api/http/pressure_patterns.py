"""What a pattern of pressures at a machine means, asked by whoever stands before it."""

from typing import Annotated

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, Field

from api.http.context import Catalogue, StaffLook
from api.http.problems import documented
from api.http.wire import Given, from_row
from api.storage.snapshots import build_of
from api.storage.tables import MachineRow, SiteRow
from scheduler import pressure_patterns as patterns
from scheduler.catalogue import Catalogue as Trade
from scheduler.catalogue import SetPoint
from scheduler.errors import InvalidInput, UnknownReference
from scheduler.machines import Build
from scheduler.pressure_patterns import Meaning, Pattern
from scheduler.readings import Verdict, set_points_for

router = APIRouter(prefix="/v1/machines", tags=["machines"])

_EXPANSION = "expansion_pressure"
"""The set-point of the catalogue in which the rise of a reheat has to stop."""

_STEAM = ("steam_pressure_separate", "steam_pressure_exchanger")
"""The set-points of the catalogue in which a steam boiler is held, by build."""

Bar = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]


class Reheat(Given):
    """What was seen while the brew boiler heated up from cold, nothing being drawn."""

    line_bar: Bar
    highest_bar: Bar
    expansion_drips: bool = False
    brew_valve_drips: bool = False


class Switching(Given):
    """The pressures at which the heating goes off and on."""

    off_at_bar: Bar
    on_at_bar: Bar


class Boiler(Given):
    """Gauge and temperature of the steam boiler at one moment."""

    gauge_bar: Bar
    celsius: Annotated[float, Field(ge=0, le=250, allow_inf_nan=False)]


class Seen(Given):
    """What was seen, as much of it as was looked at."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "reheat": {"line_bar": 4.0, "highest_bar": 4.1, "brew_valve_drips": True},
                    "switching": {"off_at_bar": 1.6, "on_at_bar": 1.1},
                    "boiler": {"gauge_bar": 1.4, "celsius": 118.0},
                }
            ]
        }
    )

    reheat: Reheat | None = None
    switching: Switching | None = None
    boiler: Boiler | None = None


class Meant(BaseModel):
    """What one pattern means and what to do about it."""

    meaning: Meaning
    verdict: Verdict
    because: str


class Meanings(BaseModel):
    """What the patterns mean, danger first."""

    items: list[Meant]


@router.post("/{machine_id}/pressure-patterns", responses=documented(400, 404, 413))
def read_pressure_patterns(
    machine_id: str, body: Seen, look: StaffLook, catalogue: Catalogue
) -> Meanings:
    """Say what the pressures seen at a machine mean. Nothing is stored.

    Read gauges, open nothing: the machine is hot and under pressure.
    """
    machine = look.row(MachineRow, machine_id)
    site = look.row(SiteRow, machine.site_id)
    found: list[Pattern] = []
    if body.reheat is not None:
        if _EXPANSION not in catalogue.set_points:
            raise UnknownReference("set-point", _EXPANSION, catalogue.set_points)
        reheat = patterns.Reheat(**body.reheat.model_dump())
        found.append(patterns.read_reheat(reheat, catalogue.set_points[_EXPANSION]))
    if body.switching is not None or body.boiler is not None:
        steam = _steam_point(build_of(machine), catalogue)
        if body.switching is not None:
            found.append(patterns.read_switching(**body.switching.model_dump(), steam=steam))
        if body.boiler is not None:
            altitude = site.altitude_metres
            seen = body.boiler.model_dump()
            found.append(patterns.read_boiler(**seen, altitude_metres=altitude, steam=steam))
    found.sort(key=lambda pattern: pattern.verdict is not Verdict.STOP_AND_MAKE_SAFE)
    return Meanings(items=[from_row(Meant, pattern) for pattern in found])


def _steam_point(build: Build, catalogue: Trade) -> SetPoint:
    for point in set_points_for(build, catalogue):
        if point.id in _STEAM:
            return point
    raise InvalidInput("a machine built like this has no steam boiler to read")
