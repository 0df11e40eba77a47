"""Critical paths and one-machine sequences that have been published."""

import pytest

from scheduler.critical_path import Activity, longest_tails, with_one_pair_of_hands

# The Reliable Construction Company: F. S. Hillier and G. J. Lieberman, "Introduction to Operations
# Research" (7th edition), table 10.1: weeks and immediate predecessors. From memory.
CONSTRUCTION = {
    "A": (2, ""),
    "B": (4, "A"),
    "C": (10, "B"),
    "D": (6, "C"),
    "E": (4, "C"),
    "F": (5, "E"),
    "G": (7, "D"),
    "H": (9, "EG"),
    "I": (7, "C"),
    "J": (8, "FI"),
    "K": (4, "J"),
    "L": (5, "J"),
    "M": (2, "H"),
    "N": (6, "KL"),
}


def test_construction_project_takes_44_weeks_along_a_b_c_e_f_j_l_n() -> None:
    letters = sorted(CONSTRUCTION)
    timetable = with_one_pair_of_hands(
        [
            Activity(
                length=CONSTRUCTION[letter][0],
                after=tuple(letters.index(before) for before in CONSTRUCTION[letter][1]),
                hands=False,
            )
            for letter in letters
        ]
    )
    assert timetable.length == 44
    assert "".join(letters[index] for index in timetable.critical_chain()) == "ABCEFJLN"
    # Earliest starts as in the same chapter's figure of the project network. From memory.
    assert dict(zip(letters, timetable.starts, strict=True)) == {
        "A": 0, "B": 2, "C": 6, "D": 16, "E": 16, "F": 20, "G": 22,
        "H": 29, "I": 16, "J": 25, "K": 33, "L": 33, "M": 38, "N": 38,
    }  # fmt: skip


# Seven jobs on one machine: J. Carlier, "The one-machine sequencing problem", European Journal of
# Operational Research 11 (1982), 42-47: release, length, tail. From memory.
ONE_MACHINE = [
    (10, 5, 7),
    (13, 6, 26),
    (11, 7, 24),
    (20, 4, 21),
    (30, 3, 8),
    (0, 6, 17),
    (30, 2, 0),
]


def one_machine(jobs: list[tuple[int, int, int]]) -> list[Activity]:
    """Each job as a wait, the work itself and a wait: indices 3 k, 3 k + 1, 3 k + 2."""
    network = []
    for release, length, tail in jobs:
        first = len(network)
        network += [
            Activity(length=release, hands=False),
            Activity(length=length, after=(first,)),
            Activity(length=tail, after=(first + 1,), hands=False),
        ]
    return network


def test_longest_tail_first_gives_the_published_schedule_of_53() -> None:
    timetable = with_one_pair_of_hands(one_machine(ONE_MACHINE))
    work = {job + 1: timetable.starts[3 * job + 1] for job in range(7)}
    assert timetable.length == 53
    # The sequence of the article: 6, 1, 2, 3, 4, 5, 7 (the optimum, 50, takes 3 before 1).
    assert sorted(work, key=work.__getitem__) == [6, 1, 2, 3, 4, 5, 7]
    assert work == {6: 0, 1: 10, 2: 15, 3: 21, 4: 28, 5: 32, 7: 35}


def test_tails_of_the_construction_project_are_its_latest_starts_counted_from_the_end() -> None:
    letters = sorted(CONSTRUCTION)
    tails = longest_tails(
        [
            Activity(
                length=CONSTRUCTION[letter][0],
                after=tuple(letters.index(before) for before in CONSTRUCTION[letter][1]),
            )
            for letter in letters
        ]
    )
    # Slack is 44 - earliest start - tail: A, B, C, E, F, J, L, N none; D, G, H, M 4; I 2; K 1.
    slack = {"D": 4, "G": 4, "H": 4, "M": 4, "I": 2, "K": 1}
    starts = [0, 2, 6, 16, 16, 20, 22, 29, 16, 25, 33, 33, 38, 38]
    assert tails == [
        44 - start - slack.get(letter, 0) for letter, start in zip(letters, starts, strict=True)
    ]


@pytest.mark.parametrize("order", [[0, 1, 2], [2, 1, 0]])
def test_jobs_without_tails_take_the_sum_of_their_lengths(order: list[int]) -> None:
    jobs = [(0, 3, 0), (0, 4, 0), (0, 5, 0)]
    assert with_one_pair_of_hands(one_machine([jobs[k] for k in order])).length == 12
