"""The evaluator of published technician routing problems, on an instance small enough to check.

The format and the objective are those of V. Pillac, C. Guéret, A. L. Medaglia, Optimization
Letters 7 (2013) 1525-1535; the instance is invented.
"""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.benchmarks.trsp import (
    Evaluation,
    Instance,
    Node,
    evaluate,
    read_instance,
    working_duration,
)

# Two technicians at (0, 0) and (100, 0), the depot at (30, 40), three requests.
FILE = """T1.3_2-2-2-2

INFO
CREW COUNT  SKILLS  TOOLS   SPARE PARTS
2      2       2       2

DEPOT TECHNICIANS AND REQUESTS
ID   X     Y     TWS    TWE    Serv   SKILLS   TOOLS    SPARE PARTS
0    30    40    0      500    0      [] \t[] \t[]
1    0     0     0      500    0      [0,1] \t[0] \t[1,0]
2    100   0     0      500    0      [1] \t[0,1] \t[9,9]
3    60    80    120    200    10     [0] \t[0] \t[1,0]
4    60    0     0      300    10     [1] \t[1] \t[0,2]
5    100   0     0      300    20     [1] \t[] \t[0,0]
"""


@pytest.fixture
def instance(tmp_path: Path) -> Instance:
    (tmp_path / "T1.txt").write_text(FILE, encoding="utf-8")
    return read_instance(tmp_path / "T1.txt")


def test_instance_is_read(instance: Instance) -> None:
    assert (instance.name, instance.crew, list(instance.requests)) == ("T1", 2, [3, 4, 5])
    assert instance.nodes[3] == Node(
        x=60,
        y=80,
        opens=120,
        closes=200,
        service=10,
        skills=frozenset({0}),
        tools=frozenset({0}),
        parts=(1, 0),
    )
    assert instance.travel(0, 3) == 50


def test_sound_answer(instance: Instance) -> None:
    # 1: home to depot 50, on to request 3 another 50: leaves at 20 to be there at 120 when it
    # opens, 10 of work, home 100: 230 - 20 = 210. 2: request 5 at home 20, 40 to request 4, 10,
    # 40 back: 110.
    assert evaluate(instance, {1: [0, 3], 2: [5, 4]}) == Evaluation(duration=320, violations=())


def test_every_broken_rule_is_listed(instance: Instance) -> None:
    # 1 leaves at 0 and is at request 4 at 60-70, at request 3 at 70 + 80 = 150-160, home at 260;
    # he lacks tool 1 and the parts of request 4. Request 5 is not served, 4 is served twice.
    # 2: 40 to request 4, 10, then 80 to request 3: waits 130 - 130 = 0.
    assert evaluate(instance, {1: [4, 3], 2: [4]}) == Evaluation(
        duration=260 + 90,
        violations=(
            "request 4 is served 2 times",
            "request 5 is served 0 times",
            "technician 1 lacks a tool for request 4",
            "technician 1 runs out of a part at request 4",
            "technician 1 runs out of a part at request 3",
        ),
    )


def test_second_call_missing_skill_and_lateness_are_found(instance: Instance) -> None:
    # 1 is at request 3 at 50 + 0 + 50 = 100. 2 is at request 5 at 0-20, with request 4 at 60-70,
    # at the depot at 120, at request 3 at 170-180, back at 4 at 260 and home at 310.
    found = evaluate(instance, {1: [0, 0, 3], 2: [5, 4, 0, 3, 4]})
    assert found.violations == (
        "request 3 is served 2 times",
        "request 4 is served 2 times",
        "technician 1 calls at the depot more than once",
        "technician 2 lacks a skill for request 3",
    )
    # 1 is with request 5 at 100-120 and at request 3, 89.4 away, at 209.4.
    late = evaluate(instance, {1: [5, 3], 2: [4]})
    assert late.violations == ("technician 1 reaches request 3 at 209.443, after 200",)


@given(
    st.lists(
        st.tuples(st.integers(0, 20), st.integers(0, 60), st.integers(0, 40), st.integers(0, 9)),
        min_size=1,
        max_size=4,
    )
)
def test_working_duration_is_the_least_over_all_departures(
    requests: list[tuple[int, int, int, int]],
) -> None:
    """On a line all times are whole, so that every departure can be tried."""
    nothing = (frozenset[int](), frozenset[int](), (0,))

    def node(x: int, opens: int, closes: int, service: int) -> Node:
        skills, tools, parts = nothing
        return Node(
            x=x,
            y=0,
            opens=opens,
            closes=closes,
            service=service,
            skills=skills,
            tools=tools,
            parts=parts,
        )

    line = Instance(
        name="line",
        crew=1,
        nodes=(
            node(0, 0, 999, 0),
            node(0, 0, 999, 0),
            *(node(x, opens, opens + length, work) for x, opens, length, work in requests),
        ),
    )
    nodes = range(2, len(line.nodes))
    returns = {}
    for departure in range(200):
        minute, at, sound = departure, 0, True
        for number in nodes:
            there = line.nodes[number]
            minute = max(minute + abs(int(there.x) - at), int(there.opens))
            sound = sound and minute <= there.closes
            minute, at = minute + int(there.service), int(there.x)
        if sound:
            returns[departure] = minute + at
    duration, late = working_duration(line, 1, nodes)
    assert bool(late) == (not returns)
    if returns:
        earliest = min(returns.values())
        departure = max(one for one, back in returns.items() if back == earliest)
        assert duration == earliest - departure
