"""Which parts a technician carries: stock for what cannot be foreseen, a load list for what can."""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from math import ceil
from typing import Protocol

from scipy.special import pdtr, pdtrik

from scheduler.catalogue import Catalogue
from scheduler.errors import InvalidInput, UnknownReference
from scheduler.machines import Build


@dataclass(frozen=True, slots=True, kw_only=True)
class StockPolicy:
    """What stock costs. Defaults are common practice, no source.

    Attributes
    ----------
    carrying_share : cost of carrying a part for a year over its price (capital, space, loss), > 0.
    second_visit_minor : cost of coming back for want of a part, in minor units of money, > 0.
    restock_days : days between two visits to the workshop, > 0.
    """

    carrying_share: float = 0.25
    second_visit_minor: float = 9000.0
    restock_days: float = 7.0

    def __post_init__(self) -> None:
        for name in ("carrying_share", "second_visit_minor", "restock_days"):
            if not getattr(self, name) > 0:
                raise InvalidInput(f"{name} must be > 0, got {getattr(self, name)}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """One line of a load list.

    ``short`` are pieces that neither the van nor the workshop has; ``order_by`` is the last day on
    which ordering them still helps, None when nothing is short.
    """

    part_type: str
    needed: int
    in_van: int
    from_workshop: int
    short: int
    order_by: date | None


def critical_ratio(shortage_cost: float, holding_cost: float) -> float:
    """Return the probability of having enough at which stock costs least: p / (p + h).

    Raises
    ------
    InvalidInput
        When a cost is not positive.
    """
    if not (shortage_cost > 0 and holding_cost > 0):
        raise InvalidInput(f"costs must be > 0, got {shortage_cost} and {holding_cost}")
    return shortage_cost / (shortage_cost + holding_cost)


def newsvendor_pieces(mean: float, shortage_cost: float, holding_cost: float) -> int:
    """Return the stock that costs least for a Poisson demand over one period.

    Parameters
    ----------
    mean
        Pieces asked for in the period on average, >= 0.
    shortage_cost, holding_cost
        For each piece short, and for each piece left over at the end of the period.

    References
    ----------
    L. V. Snyder and Z.-J. M. Shen, "Fundamentals of Supply Chain Theory", section 4.3.
    """
    if not mean >= 0:
        raise InvalidInput(f"mean must be >= 0, got {mean}")
    if not mean:
        return 0
    ratio = critical_ratio(shortage_cost, holding_cost)
    enough = ceil(float(pdtrik(ratio, mean)))  # exact to rounding only: a piece less may do
    return enough - 1 if enough and pdtr(enough - 1, mean) >= ratio else enough


class Demand(Protocol):
    """What is asked for in one period, by any law."""

    @property
    def mean(self) -> float:
        """The mean."""
        ...

    def left_over(self, stock: float) -> float:
        """Return how much of a stock is left at the end of the period, on average."""
        ...


@dataclass(frozen=True, slots=True)
class PoissonDemand:
    """Pieces asked for by chance, ``mean`` in a period."""

    mean: float

    def left_over(self, stock: float) -> float:
        """Return how many pieces are left at the end of the period, on average."""
        return stock * self._at_most(stock) - self.mean * self._at_most(stock - 1)

    def _at_most(self, pieces: float) -> float:
        """Return the probability that no more are asked for."""
        return float(pdtr(pieces, self.mean)) if pieces >= 0 else 0.0


def expected_cost(stock: float, demand: Demand, shortage_cost: float, holding_cost: float) -> float:
    """Return what a stock costs in a period on average."""
    left_over = demand.left_over(stock)
    return holding_cost * left_over + shortage_cost * (left_over + demand.mean - stock)


def fault_demand_a_year(builds: Iterable[Build], catalogue: Catalogue) -> dict[str, float]:
    """Return the pieces of each part that faults ask for in a year, over these machines."""
    demand: dict[str, float] = {}
    for build, machines in Counter(builds).items():
        for fault in catalogue.faults.values():
            if build.suits(fault.applies_to):
                faults = machines * fault.per_machine_year
                for part, pieces in fault.parts.items():
                    demand[part] = demand.get(part, 0.0) + faults * pieces
    return dict(sorted(demand.items()))


def van_stock(
    demand_a_year: Mapping[str, float], catalogue: Catalogue, policy: StockPolicy
) -> dict[str, int]:
    """Return the pieces worth carrying of each part; parts not worth one are left out.

    Raises
    ------
    UnknownReference
        When a part is not in the catalogue.
    """
    years = policy.restock_days / 365
    stock = {}
    for part, demand in sorted(demand_a_year.items()):
        if part not in catalogue.part_types:
            raise UnknownReference("part type", part, catalogue.part_types)
        holding = max(1, catalogue.part_types[part].price_minor) * policy.carrying_share * years
        pieces = newsvendor_pieces(demand * years, policy.second_visit_minor, holding)
        if pieces:
            stock[part] = pieces
    return stock


def load_list(
    visits: Iterable[Mapping[str, int]],
    in_van: Mapping[str, int],
    in_workshop: Mapping[str, int],
    catalogue: Catalogue,
    day: date,
) -> tuple[Load, ...]:
    """Return what the visits of a day need and where it comes from; shortages first.

    Parameters
    ----------
    visits
        The parts of each visit, part type -> pieces.
    in_van, in_workshop
        Pieces at hand.
    day
        The day of the visits: what is short has to be ordered its lead time earlier.

    Raises
    ------
    UnknownReference
        When a part is not in the catalogue.
    """
    needed: Counter[str] = Counter()
    for parts in visits:
        needed.update(parts)
    loads = []
    for part, pieces in sorted(needed.items()):
        if part not in catalogue.part_types:
            raise UnknownReference("part type", part, catalogue.part_types)
        from_van = min(pieces, in_van.get(part, 0))
        from_workshop = min(pieces - from_van, in_workshop.get(part, 0))
        short = pieces - from_van - from_workshop
        lead = timedelta(days=catalogue.part_types[part].lead_days)
        loads.append(
            Load(
                part_type=part,
                needed=pieces,
                in_van=from_van,
                from_workshop=from_workshop,
                short=short,
                order_by=day - lead if short else None,
            )
        )
    return tuple(sorted(loads, key=lambda load: (load.short == 0, load.part_type)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Trip:
    """One technician's visits of one day and the parts they need together."""

    day: date
    technician: str
    parts: Mapping[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class TripLoad:
    """What a trip needs and where it comes from; shortages first."""

    day: date
    technician: str
    loads: tuple[Load, ...]


def loads_ahead(
    trips: Iterable[Trip],
    vans: Mapping[str, Mapping[str, int]],
    workshop: Mapping[str, int] | None,
    catalogue: Catalogue,
) -> tuple[TripLoad, ...]:
    """Return the load of each trip in order of time, each piece given out once.

    Parameters
    ----------
    vans
        Technician -> pieces in the van.
    workshop
        Pieces in the workshop; None when it was never counted and is taken to have everything.

    Raises
    ------
    UnknownReference
        When a part is not in the catalogue.
    """
    left_in_vans = {technician: Counter(pieces) for technician, pieces in vans.items()}
    left_in_workshop = None if workshop is None else Counter(workshop)
    found = []
    for trip in sorted(trips, key=lambda trip: (trip.day, trip.technician)):
        van = left_in_vans.setdefault(trip.technician, Counter())
        at_hand = Counter(trip.parts) if left_in_workshop is None else left_in_workshop
        loads = load_list([trip.parts], van, at_hand, catalogue, trip.day)
        for load in loads:
            van[load.part_type] -= load.in_van
            at_hand[load.part_type] -= load.from_workshop
        found.append(TripLoad(day=trip.day, technician=trip.technician, loads=loads))
    return tuple(found)


class Supply(StrEnum):
    """Where the parts for one more visit come from."""

    VAN = "van"
    WORKSHOP = "workshop"
    ORDER = "order"


def missing_from(in_van: Mapping[str, int] | None, parts: Mapping[str, int]) -> dict[str, int]:
    """Return what a van lacks of some parts: nothing, as long as nobody ever counted it."""
    if in_van is None:
        return {}
    short = {part: pieces - in_van.get(part, 0) for part, pieces in parts.items()}
    return {part: pieces for part, pieces in short.items() if pieces > 0}


def supply_of(
    parts: Mapping[str, int],
    in_van: Mapping[str, int] | None,
    in_workshop: Mapping[str, int] | None,
) -> Supply:
    """Return where the parts of a visit come from; the last of them decides.

    Parameters
    ----------
    parts
        Pieces by part type.
    in_van, in_workshop
        Pieces that nothing booked needs; None where nobody ever counted: all is taken to be there.
    """
    missing = missing_from(in_van, parts)
    if not missing:
        return Supply.VAN
    if in_workshop is None or all(in_workshop.get(part, 0) >= n for part, n in missing.items()):
        return Supply.WORKSHOP
    return Supply.ORDER
