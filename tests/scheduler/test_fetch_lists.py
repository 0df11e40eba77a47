"""What is fetched for visits to come stays complete and in time, whatever changes its place."""

from collections import Counter
from datetime import date, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.fetch_lists import FetchList, Loading, loaded_in_time, summed

MONDAY = date(2027, 3, 1)


def loading(
    name: str, day: int, call: int | None = None, fetch: FetchList | None = None
) -> Loading:
    return Loading(
        visit=name, day=MONDAY + timedelta(days=day), call_minutes=call, fetch=fetch or {}
    )


def test_lists_of_one_visit_and_part_add_up() -> None:
    first = {"a": {"valve": 2, "tap": 1}, "b": {"tap": 1}}
    assert summed(first, {"a": {"valve": 1}}) == {"a": {"valve": 3, "tap": 1}, "b": {"tap": 1}}


def test_a_call_comes_before_all_it_is_for_that_day() -> None:
    fetch = {"a": {"valve": 1}, "later": {"tap": 1}}
    visits = [loading("a", 0), loading("b", 0, 15, fetch), loading("later", 1)]
    assert loaded_in_time(visits, {}) == (
        loading("a", 0, 15, fetch),
        loading("b", 0),
        loading("later", 1),
    )


def test_what_lost_its_call_goes_to_the_last_one_before_the_visit_or_to_the_round() -> None:
    lost = {"tue": {"valve": 1}, "wed": {"valve": 1}, "thu": {"valve": 2}}
    visits = [
        loading("morning", 1),
        loading("tue", 1),
        loading("call", 2, 15, {"thu": {"valve": 1}}),
        loading("wed", 2),
        loading("thu", 3),
    ]
    assert [dict(each.fetch) for each in loaded_in_time(visits, lost)] == [
        {"tue": {"valve": 1}},
        {},
        {"wed": {"valve": 1}, "thu": {"valve": 3}},
        {},
        {},
    ]
    assert loaded_in_time([], lost) == ()


@st.composite
def _cases(draw: st.DrawFn) -> tuple[list[Loading], FetchList]:
    days = sorted(draw(st.lists(st.integers(0, 2), min_size=1, max_size=6)))
    lists = st.dictionaries(
        st.sampled_from([f"v{n}" for n in range(7)]),  # the last one may be held, not booked
        st.dictionaries(st.sampled_from(["valve", "tap"]), st.integers(1, 3), min_size=1),
        max_size=3,
    )
    visits = [
        loading(f"v{n}", day, draw(st.none() | st.just(15)), draw(lists))
        for n, day in enumerate(days)
    ]
    return visits, draw(lists)


@settings(max_examples=50)
@given(case=_cases())
def test_nothing_is_lost_and_nothing_comes_too_late(case: tuple[list[Loading], FetchList]) -> None:
    visits, homeless = case
    found = loaded_in_time(visits, homeless)

    assert summed(*(each.fetch for each in found)) == summed(
        *(each.fetch for each in visits), homeless
    )
    place = {each.visit: at for at, each in enumerate(visits)}
    for at, each in enumerate(found):
        is_first = at == 0 or found[at - 1].day != each.day
        assert not each.fetch or is_first or each.call_minutes is not None
        assert all(place.get(visit, at) >= at for visit in each.fetch)
    called = Counter(each.day for each in visits if each.call_minutes is not None)
    assert {each.day for each in found if each.call_minutes is not None} == set(called)
    assert loaded_in_time(found, {}) == found
