"""What a visit costs that no contract covers."""

from collections.abc import Mapping
from dataclasses import dataclass

from scheduler.catalogue import Catalogue
from scheduler.errors import InvalidParams


@dataclass(frozen=True, slots=True, kw_only=True)
class Rates:
    """What a company charges, in minor units of its currency, >= 0."""

    call_out_minor: int
    hour_rate_minor: int

    def __post_init__(self) -> None:
        for name in ("call_out_minor", "hour_rate_minor"):
            if getattr(self, name) < 0:
                raise InvalidParams(name, f"must be >= 0, got {getattr(self, name)}")


@dataclass(frozen=True, slots=True, kw_only=True)
class CallPrice:
    """An estimate in minor units of the company's currency, and what it is made of.

    `minutes` are those on site that `labour_minor` charges.
    """

    call_out_minor: int
    minutes: int
    labour_minor: int
    parts_minor: int

    @property
    def amount_minor(self) -> int:
        """All of it."""
        return self.call_out_minor + self.labour_minor + self.parts_minor

    @property
    def because(self) -> str:
        """Say what it is: an estimate, and of what."""
        parts = ""
        if self.parts_minor:
            parts = ", and the parts taken along, of which those not used are not charged"
        return f"An estimate: the call-out, {self.minutes} minutes on site{parts}."


def call_price(
    minutes: int, parts: Mapping[str, int], rates: Rates, catalogue: Catalogue
) -> CallPrice:
    """Estimate the price of a visit.

    Parameters
    ----------
    minutes : on site; the part of an hour that was begun is charged to the minute.
    parts : pieces by part type; what is taken along and not used is not charged in the end.
    """
    return CallPrice(
        call_out_minor=rates.call_out_minor,
        minutes=minutes,
        labour_minor=(minutes * rates.hour_rate_minor + 30) // 60,
        parts_minor=sum(
            catalogue.part_types[part].price_minor * pieces for part, pieces in parts.items()
        ),
    )
