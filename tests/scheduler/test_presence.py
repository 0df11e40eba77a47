"""Two technicians at one site at one time are found, and nobody else."""

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from scheduler.intervals import Interval
from scheduler.presence import Presence, meetings

EIGHT = datetime(2027, 3, 26, 8, tzinfo=UTC)


def at(id_: str, technician: str, start: int, end: int, site: str = "s1") -> Presence:
    """Someone at a site between two minutes after eight."""
    span = Interval(
        start=EIGHT + timedelta(minutes=start),
        end=EIGHT + timedelta(minutes=end),
    )
    return Presence(id=id_, visit=f"v/{id_}", site=site, technician=technician, span=span)


def test_two_who_meet_are_named_the_earlier_first() -> None:
    live, cold = at("a2", "te-5", 0, 120), at("a1", "te-4", 20, 140)
    assert meetings([cold, live]) == ((live, cold),)


def test_one_after_the_other_elsewhere_and_alone_nobody_meets() -> None:
    assert (
        meetings(
            [
                at("a1", "te-4", 0, 60),
                at("a2", "te-5", 60, 120),  # comes as the other goes
                at("a3", "te-6", 0, 120, site="s2"),
                at("a4", "te-4", 30, 50),  # the same technician: another rule's affair
            ]
        )
        == ()
    )


def test_a_long_stay_meets_everybody_who_comes_meanwhile() -> None:
    long, one, two = at("a1", "te-1", 0, 300), at("a2", "te-2", 10, 20), at("a3", "te-3", 200, 210)
    assert meetings([two, one, long]) == ((long, one), (long, two))


MINUTES = st.integers(0, 12)


@given(
    st.lists(
        st.tuples(st.sampled_from("ab"), st.sampled_from("xyz"), MINUTES, st.integers(1, 5)),
        max_size=8,
    )
)
def test_those_who_meet_share_a_minute_and_a_site(
    stays: list[tuple[str, str, int, int]],
) -> None:
    """Against the rule taken minute by minute."""
    presences = [
        at(f"a{number}", technician, start, start + minutes, site)
        for number, (site, technician, start, minutes) in enumerate(stays)
    ]
    by_the_minute = set()
    for minute in (EIGHT + timedelta(minutes=minute) for minute in range(20)):
        there = [each for each in presences if each.span.start <= minute < each.span.end]
        by_the_minute |= {
            frozenset({one.id, other.id})
            for one in there
            for other in there
            if one.site == other.site and one.technician != other.technician
        }
    found = meetings(presences)
    assert {frozenset({one.id, other.id}) for one, other in found} == by_the_minute
    assert len(found) == len(by_the_minute)
