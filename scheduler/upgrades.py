"""What to offer a client whose machine carries a part that has been superseded."""

from dataclasses import dataclass

from scheduler.catalogue import Catalogue
from scheduler.machines import Machine
from scheduler.money import money


@dataclass(frozen=True, slots=True, kw_only=True)
class Upgrade:
    """The part to offer in place of mending or renewing the one fitted.

    ``dearer_minor`` is its price less that of the fitted one, in minor units of money.
    """

    part_type: str
    instead_of: str
    dearer_minor: int
    because: str  # one sentence


def upgrade_for(part_type: str, catalogue: Catalogue) -> Upgrade | None:
    """Return what to offer instead of a part; None where it is not superseded.

    What superseded it may itself be superseded by now: the last in the row is offered.
    """
    old = latest = catalogue.part_types[part_type]
    while latest.superseded_by is not None:
        latest = catalogue.part_types[latest.superseded_by]
    if latest is old:
        return None
    dearer = latest.price_minor - old.price_minor
    amount = money(abs(dearer), catalogue.currency)
    compared = f"{amount} {'dearer' if dearer >= 0 else 'cheaper'}"
    return Upgrade(
        part_type=latest.id,
        instead_of=old.id,
        dearer_minor=dearer,
        because=f"{old.name} is superseded ({old.superseded_because}): "
        f"offer {latest.name}, {compared}.",
    )


def upgrades_on(machine: Machine, catalogue: Catalogue) -> tuple[Upgrade, ...]:
    """Return what to offer for the superseded parts a machine carries, each kind of part once."""
    fitted = dict.fromkeys(part.part_type for part in machine.parts)
    offers = (upgrade_for(part, catalogue) for part in fitted if part in catalogue.part_types)
    return tuple(offer for offer in offers if offer is not None)
