"""What a machine is made of: its build, its fitted parts, its duty and its history."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from scheduler.catalogue import (
    AppliesTo,
    BoilerLayout,
    Catalogue,
    Counter,
    Dosing,
    EquipmentKind,
    Thermal,
)
from scheduler.errors import InvalidInput


@dataclass(frozen=True, slots=True, kw_only=True)
class Build:
    """How a unit is built. Boilers, groups and dosing only mean something for espresso machines."""

    kind: EquipmentKind
    boiler_layout: BoilerLayout | None = None
    groups: int = 0
    dosing: Dosing | None = None
    features: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        if self.kind is EquipmentKind.ESPRESSO_MACHINE:
            if self.boiler_layout is None or self.dosing is None or self.groups < 1:
                raise InvalidInput(
                    "an espresso machine needs a boiler layout, a dosing and at least one group, "
                    f"got {self.boiler_layout}, {self.dosing}, groups {self.groups}"
                )
        elif self.boiler_layout is not None or self.dosing is not None or self.groups:
            raise InvalidInput(
                f"a {self.kind} has no boiler layout, dosing or groups, "
                f"got {self.boiler_layout}, {self.dosing}, groups {self.groups}"
            )

    def suits(self, applies_to: AppliesTo) -> bool:
        """Whether something that applies to such builds applies to this one."""
        return (
            (not applies_to.kinds or self.kind in applies_to.kinds)
            and (not applies_to.boiler_layouts or self.boiler_layout in applies_to.boiler_layouts)
            and (not applies_to.dosings or self.dosing in applies_to.dosings)
            and applies_to.features <= self.features
            and applies_to.without_features.isdisjoint(self.features)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedPart:
    """One part in one position of one machine, from the day it was fitted."""

    id: str
    part_type: str
    position: str  # "steam boiler", "group 2", ...
    fitted_on: date


class Outcome(StrEnum):
    """How a piece of recorded work came about."""

    PLANNED = "planned"
    FAILURE = "failure"  # done because the part had failed
    FOUND = "found"  # found worn at a visit for something else


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkDone:
    """A service rule carried out on a part (or on the machine when ``fitted_part`` is None)."""

    rule: str
    fitted_part: str | None
    done_on: date
    outcome: Outcome = Outcome.PLANNED


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """What a competent person wrote after a statutory examination.

    ``valid_until`` is the last day it holds; None when the examination was not passed.
    """

    number: str
    rule: str
    examined_on: date
    valid_until: date | None
    fitted_part: str | None = None

    def __post_init__(self) -> None:
        if self.valid_until is not None and self.valid_until <= self.examined_on:
            raise InvalidInput(
                f"valid_until must come after examined_on {self.examined_on}, "
                f"got {self.valid_until}"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterReading:
    """A counter as read on the machine."""

    counter: Counter
    value: float
    taken_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """A unit at a site.

    ``drinks_per_day`` is what the site stated when it was installed, as an average over all days
    of the year, closed ones too. ``stopped`` means out of service and made safe, until somebody
    puts it back.
    """

    id: str
    site: str
    name: str
    build: Build
    installed_on: date
    drinks_per_day: float
    parts: tuple[FittedPart, ...] = ()
    history: tuple[WorkDone, ...] = ()
    meter_readings: tuple[MeterReading, ...] = ()
    certificates: tuple[Certificate, ...] = ()
    stopped: bool = False

    def __post_init__(self) -> None:
        if not self.drinks_per_day >= 0:
            raise InvalidInput(f"drinks_per_day must be >= 0, got {self.drinks_per_day}")
        if len({part.id for part in self.parts}) < len(self.parts):
            ids = sorted(part.id for part in self.parts)
            raise InvalidInput(f"the fitted parts of machine {self.id} need different ids: {ids}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a part of a given type belongs in a build."""

    part_type: str
    position: str


def places_in(build: Build, catalogue: Catalogue) -> tuple[Place, ...]:
    """Return the places for parts in a build, in the order of the catalogue.

    A place once per group is named after its group ("group 2"); where several parts of one type
    share a place, they are numbered ("steam valve 1").
    """
    return tuple(
        Place(part_type=position.part_type, position=name)
        for position in catalogue.positions
        if build.suits(position.applies_to)
        for group_or_place in _names(position.place, position.per_group, build.groups)
        for name in _numbered(group_or_place, position.quantity)
    )


def _names(place: str, per_group: bool, groups: int) -> Iterator[str]:
    return (f"{place} {n}" for n in range(1, groups + 1)) if per_group else iter((place,))


def _numbered(name: str, quantity: int) -> Iterator[str]:
    return iter((name,)) if quantity == 1 else (f"{name} {n}" for n in range(1, quantity + 1))


def thermal_of(build: Build, catalogue: Catalogue) -> Thermal | None:
    """Return how fast a build cools and heats, None for one that has nothing to cool."""
    return next((t for t in catalogue.thermals if build.suits(t.applies_to)), None)
