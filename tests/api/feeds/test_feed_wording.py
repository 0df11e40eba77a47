from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.feeds.events import EventStatus, FeedEvent
from api.feeds.wording import (
    AppointmentBrief,
    MachineOff,
    WorkLine,
    busy_event,
    clipped,
    company_event,
    site_event,
    technician_event,
)
from scheduler.errors import InvalidInput
from scheduler.lifecycle import AppointmentState

START = datetime(2026, 10, 23, 7, 30, tzinfo=UTC)  # Friday 09:30 CEST
CREATED = datetime(2026, 10, 1, 8, tzinfo=UTC)
REVISED = datetime(2026, 10, 2, 9, 30, 15, tzinfo=UTC)

BRIEF = AppointmentBrief(
    appointment_id="a1",
    state=AppointmentState.PROMISED,
    kind="upkeep",
    start=START,
    end=START + timedelta(minutes=95),
    zone="Europe/Berlin",
    created=CREATED,
    revised=REVISED,
    sequence=2,
    site="Café Möwe",
    town="Husum",
    address="Hafenstr. 3, 25813 Husum",
    client="Möwe Cafés",
    technician="Inga Voss",
    tasks=("Rebuild steam valve", "Group gaskets", "Level probe"),
    lat_lon=(54.4764, 9.0511),
    travel_minutes=25,
    steps=(
        WorkLine(text="Sign in at the bar", minutes=5),
        WorkLine(text="Switch off, cool down", minutes=30, machine="Bar left", waiting=True),
        WorkLine(text="Rebuild steam valve", minutes=25, machine="Bar left"),
    ),
    parts=((2, "Group gasket 8.5 mm"), (1, "Steam valve kit")),
    tools=("Descaling bucket",),
    cautions=("Let the steam boiler lose all pressure before opening the valve.",),
    machines_off=(
        MachineOff(
            machine="Bar left",
            start=START + timedelta(minutes=5),
            end=START + timedelta(minutes=90),
        ),
    ),
    access_notes="Back door, code 4711#.",
    contact="Ole Petersen",
    phone="+49 4841 555 0100",
    worksheet_url="https://steamround.example/worksheets/a1",
)
CALLBACK = replace(
    BRIEF,
    kind="callback",
    state=AppointmentState.PLANNED,
    urgent=True,
    respond_by=datetime(2026, 10, 23, 12, tzinfo=UTC),
    tasks=("No steam",),
)
# What only the technician may read.
PRIVATE = ("4711", "555 0100", "Ole Petersen", "gasket 8.5", "worksheets/a1", "Descaling")


def test_technician_reads_everything_in_the_order_of_use() -> None:
    assert technician_event(BRIEF, domain="steamround.example") == FeedEvent(
        uid="a1@steamround.example",
        start=START,
        end=START + timedelta(minutes=95),
        zone="Europe/Berlin",
        summary="Café Möwe, Husum: Rebuild steam valve + 2 more",
        description="""\
Fri 23 Oct 2026, 09:30 to 11:05 (1 h 35 min).
The client has been promised this time.
Drive of about 25 min: leave by 09:05.

Bring
2 × Group gasket 8.5 mm
1 × Steam valve kit

Tools
Descaling bucket

Getting in
Back door, code 4711#.

On site
Ole Petersen +49 4841 555 0100

Take care
- Let the steam boiler lose all pressure before opening the valve.
- Local rules come first; gas, mains and pressure work only with the licence for it.

Order of work
1. Sign in at the bar (5 min)
[Bar left]
2. Switch off, cool down (30 min, meanwhile go on)
3. Rebuild steam valve (25 min)""",
        location="Café Möwe, Hafenstr. 3, 25813 Husum",
        lat_lon=(54.4764, 9.0511),
        url="https://steamround.example/worksheets/a1",
        status=EventStatus.CONFIRMED,
        sequence=2,
        categories=("Upkeep",),
        created=CREATED,
        revised=REVISED,
    )


def test_site_reads_who_comes_and_what_is_out_of_use() -> None:
    event = site_event(BRIEF, domain="steamround.example")

    assert event.summary == "Upkeep: Rebuild steam valve + 2 more"
    assert (
        event.description
        == """\
Fri 23 Oct 2026, 09:30 to 11:05 (1 h 35 min).
The client has been promised this time.
Inga Voss will come.

Bar left is off from about 09:35 to 11:00: nothing can be had from it.
Leave it off until the technician hands it back: it may be open, hot or under pressure."""
    )
    assert event.url is None


def test_site_with_nothing_off_is_told_so() -> None:
    event = site_event(replace(BRIEF, machines_off=()), domain="steamround.example")

    assert event.description.endswith("Inga Voss will come.\n\nYour machines stay in use.")


def test_dispatcher_reads_who_is_where() -> None:
    event = company_event(CALLBACK, domain="steamround.example")

    assert event.summary == "Urgent: Inga Voss at Café Möwe, Husum: No steam"
    assert (
        event.description
        == """\
Fri 23 Oct 2026, 09:30 to 11:05 (1 h 35 min).
Planned; the time may still move.
Answer due by Fri 23 Oct 2026 14:00.

Möwe Cafés
Callback: No steam"""
    )


def test_partner_reads_when_and_nothing_else() -> None:
    assert busy_event(CALLBACK, domain="steamround.example") == FeedEvent(
        uid="a1@steamround.example",
        start=START,
        end=START + timedelta(minutes=95),
        zone="Europe/Berlin",
        summary="At work",
        sequence=2,
        created=CREATED,
        revised=REVISED,
    )


@pytest.mark.parametrize("build", [site_event, company_event, busy_event])
@pytest.mark.parametrize("brief", [BRIEF, CALLBACK])
def test_other_readers_get_nothing_of_what_is_the_technicians(
    build: Any, brief: AppointmentBrief
) -> None:
    mine, theirs = (repr(b(brief, domain="x")) for b in (technician_event, build))

    assert [word for word in PRIVATE if word not in mine] == []
    assert [word for word in PRIVATE if word in theirs] == []


@pytest.mark.parametrize("build", [technician_event, site_event, company_event, busy_event])
@pytest.mark.parametrize("change", [{"state": AppointmentState.CANCELLED}, {"handed_over": True}])
def test_visit_that_will_not_happen_says_only_that(build: Any, change: dict[str, Any]) -> None:
    event = build(replace(CALLBACK, **change), domain="x")

    assert event.status is EventStatus.CANCELLED
    assert event.summary.startswith(("Cancelled: ", "Handed over: "))
    assert not event.urgent
    assert [word for word in PRIVATE[:-2] if word in repr(event)] == []


@pytest.mark.parametrize(
    ("change", "prefix"),
    [
        ({}, ""),
        ({"urgent": True}, "Urgent: "),
        ({"moved_from": START - timedelta(days=1)}, "Moved: "),
        ({"urgent": True, "moved_from": START - timedelta(days=1)}, "Urgent, moved: "),
        ({"urgent": True, "state": AppointmentState.UNDER_WAY}, "Urgent: "),
        ({"urgent": True, "state": AppointmentState.CANCELLED}, "Cancelled: "),
        ({"urgent": True, "state": AppointmentState.DONE}, "Done: "),
        ({"state": AppointmentState.NO_ACCESS}, "No access: "),
        ({"handed_over": True}, "Handed over: "),
    ],
)
def test_summary_begins_with_what_has_changed(change: dict[str, Any], prefix: str) -> None:
    event = technician_event(replace(BRIEF, **change), domain="x")

    assert event.summary == f"{prefix}Café Möwe, Husum: Rebuild steam valve + 2 more"


def test_site_named_after_its_address_does_not_say_it_twice_nor_push_out_the_work() -> None:
    brief = replace(
        BRIEF,
        site="Fournil Sable, La Teste-de-Buch, 116 rue du Four Banal",
        address="116 rue du Four Banal",
        town="La Teste-de-Buch",
        urgent=True,
        moved_from=START,
    )

    event = technician_event(brief, domain="x")

    # 80 characters less 15 for "Urgent, moved: " and 2 for ": " leave 63; the work takes 28.
    assert event.summary == (
        "Urgent, moved: Fournil Sable, La Teste-de-Buch…: Rebuild steam valve + 2 more"
    )
    assert event.location == "Fournil Sable, La Teste-de-Buch, 116 rue du Four Banal"


def test_address_is_completed_by_the_town() -> None:
    brief = replace(BRIEF, site="Café Nordlicht", address="Hafenstr. 3", town="Nord")

    assert site_event(brief, domain="x").location == "Café Nordlicht, Hafenstr. 3, Nord"


def test_moved_visit_says_from_when() -> None:
    # 2026-10-25 00:30Z and 01:30Z are both 02:30 in Berlin, in summer and in winter time.
    moved = replace(BRIEF, moved_from=datetime(2026, 10, 25, 1, 30, tzinfo=UTC))

    assert technician_event(moved, domain="x").description.splitlines()[0] == (
        "Moved from Sun 25 Oct 2026 02:30 CET."
    )


@pytest.mark.parametrize("state", list(AppointmentState))
def test_only_a_visit_still_to_come_is_urgent(state: AppointmentState) -> None:
    event = technician_event(replace(CALLBACK, state=state), domain="x")

    assert event.urgent is (state in (AppointmentState.PLANNED, AppointmentState.PROMISED))


def test_bare_brief_has_no_empty_headings() -> None:
    bare = AppointmentBrief(
        appointment_id="a2",
        state=AppointmentState.DONE,
        kind="statutory",
        start=START,
        end=START + timedelta(hours=2),
        zone="Europe/Berlin",
        created=CREATED,
        revised=REVISED,
        sequence=0,
        site="Bar Nord",
        town="",
        address="Kai 1",
        client="Nord",
        technician="Inga Voss",
        tasks=("Pressure inspection",),
    )

    event = technician_event(bare, domain="x")

    assert event.summary == "Done: Bar Nord: Pressure inspection"
    assert event.description == "Fri 23 Oct 2026, 09:30 to 11:30 (2 h)."


def test_brief_without_work_is_refused() -> None:
    with pytest.raises(InvalidInput, match=r"^tasks must name the work of a1, got none$"):
        replace(BRIEF, tasks=())


@pytest.mark.parametrize(
    ("text", "limit", "clip"),
    [
        ("short", 5, "short"),
        ("Rebuild the steam valve", 12, "Rebuild the…"),
        ("Rebuild, the steam valve", 10, "Rebuild…"),
        ("Dampfventilüberholung", 10, "Dampfvent…"),
        ("abcde\u0301fgh", 6, "abcd…"),  # not between a letter and its accent
    ],
)
def test_clipped_cuts_between_words_or_characters(text: str, limit: int, clip: str) -> None:
    assert clipped(text, limit) == clip


@given(st.text(min_size=1), st.text(min_size=1), st.booleans())
def test_summary_never_has_more_than_80_characters(site: str, task: str, urgent: bool) -> None:
    brief = replace(BRIEF, site=site, tasks=(task,), urgent=urgent)
    for build in (technician_event, site_event, company_event, busy_event):
        assert len(build(brief, domain="x").summary) <= 80


def test_a_call_at_the_workshop_is_told_under_the_drive_with_what_to_fetch() -> None:
    calling = replace(
        BRIEF, call_minutes=15, fetch=((2, "Group gasket", "Café Möwe"), (1, "Probe", "Bar Süd"))
    )
    said = technician_event(calling, domain="steamround").description
    assert (
        "Call at the workshop on the way (15 min), drive of about 25 min: leave by 08:50." in said
    )
    paragraphs = said.split("\n\n")
    told = "Fetch at the workshop\n2 × Group gasket (for Café Möwe)\n1 × Probe (for Bar Süd)"
    assert paragraphs.index(told) + 1 == next(
        at for at, each in enumerate(paragraphs) if each.startswith("Bring")
    )
    morning = technician_event(replace(calling, call_minutes=None), domain="steamround").description
    assert "\n\nLoad before you set out\n2 × Group gasket (for Café Möwe)" in morning
    french = technician_event(replace(calling, language="fr"), domain="steamround").description
    assert "Passer à l’atelier en route (15 min), environ 25 min de route" in french
    shared = ((2, "Gasket", "Café Möwe"), (1, "Probe", "Bar Süd"), (3, "Gasket", "Bar Süd"))
    both = technician_event(replace(calling, fetch=shared), domain="steamround").description
    assert "\n5 × Gasket (2 for Café Möwe; 3 for Bar Süd)\n1 × Probe (for Bar Süd)\n" in both
    for other in (site_event, company_event, busy_event):
        text = other(calling, domain="steamround").description or ""
        assert "Café Möwe)" not in text
        assert "workshop" not in text
