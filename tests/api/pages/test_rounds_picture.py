"""The picture of a day: well-formed, escaped, drawn where things are."""

import re
from dataclasses import replace
from datetime import UTC, date, datetime
from xml.etree import ElementTree

from api.pages.rounds_picture import RoundsPicture, draw_rounds
from api.storage.rounds import DayRound, RoundStop
from scheduler.lifecycle import AppointmentState
from scheduler.places import Coordinates
from scheduler.waters import Barrier, Crossing

DAY = date(2027, 3, 29)
STOP = RoundStop(
    appointment="ap_1",
    visit="vi_1",
    kind="callback",
    starts_at=datetime(2027, 3, 29, 7, 0, tzinfo=UTC),  # 09:00 in Paris, in summer time
    ends_at=datetime(2027, 3, 29, 8, 30, tzinfo=UTC),
    state=AppointmentState.PLANNED,
    travel_minutes=30,
    site="Café <Bord & Rive>",
    town="Blaye",
    lat=45.1,
    lon=-0.65,
    headlines=("It does not heat",),
    urgent=True,
)
ROUND = DayRound(
    day=DAY,
    technician="te-1",
    name="Ann",
    home=(44.8, -0.6),
    zone="Europe/Paris",
    stops=(STOP,),
)
ESTUARY = Barrier(
    name="Estuary",
    line=(Coordinates(lat=44.7, lon=-0.7), Coordinates(lat=45.3, lon=-0.7)),
    crossings=(
        Crossing(
            name="Bridge",
            one_end=Coordinates(lat=44.9, lon=-0.71),
            other_end=Coordinates(lat=44.9, lon=-0.69),
        ),
        Crossing(  # 0.4 degrees of longitude are 31 km here: round the head, nothing to draw
            name="Long way round",
            one_end=Coordinates(lat=45.0, lon=-0.9),
            other_end=Coordinates(lat=45.0, lon=-0.5),
        ),
    ),
)
PICTURE = RoundsPicture(
    company="Vapeur & Fils",
    day=DAY,
    rounds=(ROUND,),
    around=(ROUND,),
    waters=(ESTUARY,),
    note="One visit.",
    credit="Invented.",
)


def drawings(page: str) -> list[ElementTree.Element]:
    """Return the drawings of a page, each parsed as XML: the outer ones only."""
    found = re.findall(r"<svg width=.*?\n</svg>", page, re.DOTALL)
    return [ElementTree.fromstring(text) for text in found]


def test_the_picture_is_well_formed_and_names_are_escaped() -> None:
    page = draw_rounds(PICTURE)
    map_, timeline = drawings(page)
    titles = [title.text for title in map_.iter("title")]
    assert "09:00-10:30 Café <Bord & Rive>, Blaye: It does not heat" in titles
    assert any(text.text == "9:00" for text in timeline.iter("text"))
    assert "<Bord" not in page


def test_the_bridge_is_drawn_and_the_road_round_the_head_is_not() -> None:
    map_, _ = drawings(draw_rounds(PICTURE))
    titles = {title.text for title in map_.iter("title")}
    assert {"Estuary", "Bridge"} <= titles
    assert "Long way round" not in titles


def test_blocks_lie_where_the_clock_says() -> None:
    # the first hour shown is 08:00, when the drive of 30 minutes before 09:00 has not begun yet;
    # hours are 62 pixels wide and begin at 150: 09:00 is at 212, 90 minutes are 93 pixels
    _, timeline = drawings(draw_rounds(PICTURE))
    drive, work = (
        (float(block.attrib["x"]), float(block.attrib["width"])) for block in timeline.iter("rect")
    )
    assert drive == (212.0 - 31.0, 31.0)
    assert work == (212.0, 93.0)


def test_a_day_without_rounds_is_a_picture_too() -> None:
    page = draw_rounds(replace(PICTURE, rounds=(), around=(), waters=()))
    assert len(drawings(page)) == 2


def test_a_call_at_the_workshop_is_told_and_drawn_before_the_work() -> None:
    calling = replace(ROUND, stops=(replace(STOP, call_minutes=15),))
    page = draw_rounds(replace(PICTURE, rounds=(calling,)))
    assert "30 min + workshop 15 min" in page
    # set out at 08:15: the picture begins at eight, an hour is 62 wide, the way takes 45 minutes
    assert 'x="165.5" y="39.0" width="46.5"' in page
