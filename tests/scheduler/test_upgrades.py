"""What is offered for a part that is superseded, and where it is said."""

from dataclasses import replace

import pytest

from scheduler.catalogue import PartType
from scheduler.catalogue_links import flaws_between
from scheduler.errors import InvalidCatalogue
from scheduler.triage import callback_worksheet, triage
from scheduler.upgrades import Upgrade, upgrade_for, upgrades_on
from scheduler.van_stock import fault_demand_a_year
from scheduler.worksheet import build_worksheet
from tests.scheduler.small_trade import CATALOGUE, TWO_GROUP, machine, task


def part(part_id: str, price_minor: int, superseded_by: str | None = None) -> PartType:
    return PartType(
        id=part_id,
        name=part_id.replace("_", " ").capitalize(),
        price_minor=price_minor,
        lead_days=3,
        source="invented for the tests",
        superseded_by=superseded_by,
        superseded_because="no longer made" if superseded_by else None,
    )


PARTS = {
    **CATALOGUE.part_types,
    "contactor": part("contactor", 120_00, "better_contactor"),
    "better_contactor": part("better_contactor", 90_00, "best_contactor"),
    "best_contactor": part("best_contactor", 101_50),
}
TRADE = replace(
    CATALOGUE,
    part_types=PARTS,
    faults={
        fault.id: replace(fault, parts={"best_contactor": 1})
        if fault.parts == {"contactor": 1}
        else fault
        for fault in CATALOGUE.faults.values()
    },
)
OFFER = Upgrade(
    part_type="best_contactor",
    instead_of="contactor",
    dearer_minor=-18_50,
    because="Contactor is superseded (no longer made): offer Best contactor, 18.50 cheaper.",
)
LEFT = machine("left", TWO_GROUP)


def test_the_last_in_a_row_of_successors_is_offered() -> None:
    assert upgrade_for("contactor", TRADE) == OFFER
    better = upgrade_for("better_contactor", TRADE)
    assert better is not None
    assert (better.part_type, better.dearer_minor) == ("best_contactor", 11_50)
    assert upgrade_for("best_contactor", TRADE) is None
    assert upgrades_on(LEFT, TRADE) == (OFFER,)
    assert upgrades_on(LEFT, CATALOGUE) == ()


def test_the_worksheet_says_what_to_offer_when_handing_over() -> None:
    for sheet in (
        build_worksheet([task(LEFT, "look_at_contactor")], [LEFT], TRADE),
        callback_worksheet(triage(["no_heat"], "", TWO_GROUP, 5.0, TRADE), LEFT, TRADE, "call"),
    ):
        assert sheet.upgrades == (OFFER,)
        assert sheet.steps[-1].details == (OFFER.because,)


def test_nothing_plans_or_carries_a_superseded_part() -> None:
    old = replace(TRADE, faults=CATALOGUE.faults)
    new_flaws = set(flaws_between(old)) - set(flaws_between(TRADE))
    assert {(flaw.path, flaw.message) for flaw in new_flaws} == {
        ("faults.contactor_burnt.parts", "contactor is superseded by better_contactor")
    }
    finding = triage(["no_heat"], "", TWO_GROUP, 5.0, TRADE)
    assert "best_contactor" in finding.parts
    assert "best_contactor" in fault_demand_a_year([TWO_GROUP], TRADE)


def test_a_reason_belongs_to_what_is_superseded() -> None:
    with pytest.raises(InvalidCatalogue, match="superseded_because: and superseded_by"):
        replace(part("old", 100, "new"), superseded_because=None)
    with pytest.raises(InvalidCatalogue, match="clients ask for the reason"):
        replace(part("old", 100), superseded_because="no longer made")
