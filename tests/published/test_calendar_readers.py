"""A published feed as independent parsers read it; see calendar_readers for which.

Also libical's check of the restrictions of RFC 5545 and RFC 5546.
"""

import shutil
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from api.feeds.events import render_calendar
from tests.published.calendar_readers import INSTALLED, LIBICAL, MISREADINGS, READERS, libical
from tests.published.calendar_sample import BERLIN, DAY_START, EVENTS, expected

FEED = render_calendar("Jörg Ünal, Technik", EVENTS, BERLIN, day_start=DAY_START)


def test_readers_that_run_are_named(capsys: pytest.CaptureFixture[str]) -> None:
    here = [*INSTALLED, *(["calcurse"] if shutil.which("calcurse") else []), "vdirsyncer", "khal"]
    absent = [name for name in (*READERS, "calcurse") if name not in here]
    with capsys.disabled():
        print(f"\ncalendar readers that run: {', '.join(here)}")
        print(f"calendar readers not installed: {', '.join(absent) or 'none'}")
    assert INSTALLED[:4] == ["icalendar", "ical", "vobject", "recurring-ical-events"]


@pytest.mark.parametrize("name", INSTALLED)
def test_reader_sees_every_event_as_published(name: str) -> None:
    seen = READERS[name][0](FEED)

    misread = MISREADINGS.get(name, str)
    assert sorted(seen, key=lambda event: event.uid) == [
        replace(seen_as, description=misread(seen_as.description))
        for seen_as in map(expected, EVENTS)
    ]


ANY_TEXT = st.text(
    st.one_of(
        st.characters(codec="utf-8"),
        st.sampled_from(
            "\\;,:\"'nN \t\r\n\x00\x0b\x85\u2028\u200d\u202e\ufeff\u0301é漢👩\U0010ffff"
        ),
    ),
    max_size=200,
)


@pytest.mark.parametrize("name", [name for name in INSTALLED if READERS[name][2]])
@settings(deadline=None, max_examples=60)
@given(summary=ANY_TEXT, location=ANY_TEXT, description=ANY_TEXT)
def test_any_text_comes_back_from_reader(
    name: str, summary: str, location: str, description: str
) -> None:
    event = replace(
        EVENTS[0], summary=f"Visit {summary}", location=location, description=description
    )
    body = render_calendar("Any text", [event], BERLIN, day_start=DAY_START)

    assert READERS[name][0](body) == [expected(event)]


@pytest.mark.skipif(LIBICAL is None, reason="libical is not installed")
def test_libical_finds_no_breach_of_the_restrictions() -> None:
    library = libical()
    for body in (FEED, render_calendar("Nobody", [], BERLIN, day_start=DAY_START)):
        calendar = library.icalparser_parse_string(body)
        assert library.icalrestriction_check(calendar) == 1
        assert library.icalcomponent_count_errors(calendar) == 0
        library.icalcomponent_free(calendar)
