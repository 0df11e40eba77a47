"""Money in sentences."""

from dataclasses import replace

import pytest

from scheduler.money import money
from scheduler.upgrades import upgrade_for
from seed_data.catalogue import load_catalogue


@pytest.mark.parametrize(
    ("minor", "currency", "said"),
    [
        (123_450, "NOK", "1,234.50 NOK"),
        (4_150, "", "41.50"),
        (98_000, "JPY", "98,000 JPY"),  # ISO 4217: the yen has no smaller unit
        (0.4, "EUR", "0.00 EUR"),
    ],
)
def test_an_amount_is_said_with_its_currency(minor: float, currency: str, said: str) -> None:
    assert money(minor, currency) == said


def test_an_upgrade_says_in_which_money_it_is_dearer() -> None:
    catalogue = replace(load_catalogue(), currency="NOK")
    old = next(part for part in catalogue.part_types.values() if part.superseded_by)
    offer = upgrade_for(old.id, catalogue)
    assert offer is not None
    assert f"{money(abs(offer.dearer_minor), 'NOK')} dearer." in offer.because
    french = catalogue.translator("fr")(offer.because)
    assert "NOK de plus" in french
