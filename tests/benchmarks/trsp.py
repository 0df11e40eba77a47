"""Published technician routing problems: reading them, and evaluating answers.

    python -m tests.benchmarks.trsp FOLDER ANSWERS    # evaluates ANSWERS/C101.json and so on

Source: V. Pillac, C. Guéret, A. L. Medaglia, "A parallel matheuristic for the technician routing
and scheduling problem", Optimization Letters 7 (2013) 1525-1535. 25 technicians start at their
homes and serve 100 requests, each with a skill, tools and spare parts; a technician may call
once at the depot, after which tools and parts no longer bind. To be least: the sum of the working
durations, from the latest departure that keeps the earliest return, to that return. The folder
holds `best_known.csv` with the columns instance and best_known_total_working_duration.

An answer is a JSON object: technician's node number to the nodes of the round in order, 0 for
the call at the depot. The evaluator shares nothing with the planner.
"""

import argparse
import csv
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

TOLERANCE = 1e-6
"""Differences of times below this are errors of rounding."""

DEPOT = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """The depot, a technician's home or a request.

    Attributes
    ----------
    x, y
        Travel time is the Euclidean distance.
    opens, closes
        A request is started, and a technician's round lies, between the two.
    service
        Duration of a request's work.
    skills, tools
        What a technician has, or a request needs.
    parts
        How many of each type he carries, or it uses up.
    """

    x: float
    y: float
    opens: float
    closes: float
    service: float
    skills: frozenset[int]
    tools: frozenset[int]
    parts: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Instance:
    """One published problem: node 0 is the depot, then the homes, then the requests."""

    name: str
    crew: int
    nodes: tuple[Node, ...]

    def travel(self, origin: int, target: int) -> float:
        """Travel time between two nodes."""
        here, there = self.nodes[origin], self.nodes[target]
        return math.hypot(here.x - there.x, here.y - there.y)

    @property
    def requests(self) -> range:
        """The nodes that are requests."""
        return range(self.crew + 1, len(self.nodes))


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """What an answer is worth: total working duration, and every rule it breaks."""

    duration: float
    violations: tuple[str, ...]


def read_instance(path: Path) -> Instance:
    """Read a published file.

    Raises
    ------
    ValueError
        A line has not the nine columns of the format.
    """
    lines = path.read_text(encoding="utf-8").splitlines()
    crew = int(lines[4].split()[0])
    nodes = [_node(line) for line in lines[8:] if line.strip()]
    return Instance(name=path.stem, crew=crew, nodes=tuple(nodes))


def _node(line: str) -> Node:
    _, x, y, opens, closes, service, skills, tools, parts = line.split()
    return Node(
        x=float(x),
        y=float(y),
        opens=float(opens),
        closes=float(closes),
        service=float(service),
        skills=frozenset(json.loads(skills)),
        tools=frozenset(json.loads(tools)),
        parts=tuple(json.loads(parts)),
    )


def evaluate(instance: Instance, rounds: Mapping[int, Sequence[int]]) -> Evaluation:
    """Recompute the working duration of an answer and list what it breaks.

    Parameters
    ----------
    instance
        The problem.
    rounds
        Technician (1 up to the crew) to the nodes of his round, without his home.
    """
    violations: list[str] = []
    served = [node for nodes in rounds.values() for node in nodes if node != DEPOT]
    for request in instance.requests:
        if served.count(request) != 1:
            violations.append(f"request {request} is served {served.count(request)} times")
    for stranger in sorted(set(served) - set(instance.requests)):
        violations.append(f"node {stranger} is no request")
    duration = 0.0
    for technician, nodes in rounds.items():
        known = [node for node in nodes if node == DEPOT or node in instance.requests]
        if known:
            violations += _misfits(instance, technician, known)
            length, late = working_duration(instance, technician, known)
            duration += length
            violations += late
    return Evaluation(duration=duration, violations=tuple(violations))


def _misfits(instance: Instance, technician: int, nodes: Sequence[int]) -> list[str]:
    """Skills, tools and parts; a call at the depot frees of the latter two."""
    found = []
    person = instance.nodes[technician]
    if list(nodes).count(DEPOT) > 1:
        found.append(f"technician {technician} calls at the depot more than once")
    stock = list(person.parts)
    supplied = False
    for number in nodes:
        if number == DEPOT:
            supplied = True
            continue
        node = instance.nodes[number]
        if not node.skills <= person.skills:
            found.append(f"technician {technician} lacks a skill for request {number}")
        if supplied:
            continue
        if not node.tools <= person.tools:
            found.append(f"technician {technician} lacks a tool for request {number}")
        stock = [have - need for have, need in zip(stock, node.parts, strict=True)]
        if min(stock, default=0) < 0:
            found.append(f"technician {technician} runs out of a part at request {number}")
    return found


def working_duration(
    instance: Instance, technician: int, nodes: Sequence[int]
) -> tuple[float, list[str]]:
    """Return the least time from departure to the earliest return, and the windows missed."""
    person = instance.nodes[technician]
    late = []
    minute, at = person.opens, technician
    slack = math.inf  # how much later the departure may be without a later return
    waited = 0.0
    for number in nodes:
        node = instance.nodes[number]
        minute += instance.travel(at, number)
        if number != DEPOT:
            if minute > node.closes + TOLERANCE:
                late.append(
                    f"technician {technician} reaches request {number} at {minute:.3f}, "
                    f"after {node.closes:g}"
                )
            wait = max(0.0, node.opens - minute)
            waited += wait
            minute += wait
            slack = min(slack, waited + node.closes - minute)
            minute += node.service
        at = number
    minute += instance.travel(at, technician)
    if minute > person.closes + TOLERANCE:
        late.append(f"technician {technician} returns at {minute:.3f}, after {person.closes:g}")
    return minute - person.opens - max(0.0, min(waited, slack)), late


def print_table(folder: Path, answers: Path) -> None:
    """Evaluate answers and print their gaps to the best known values."""
    best: dict[str, float] = {}
    with (folder / "best_known.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            best[row["instance"]] = float(row["best_known_total_working_duration"])
    gaps = []
    print("| instance | duration | best known | gap | violations |\n|---|---:|---:|---:|---:|")
    for path in sorted(answers.glob("*.json")):
        instance = read_instance(folder / f"{path.stem}.txt")
        answer = json.loads(path.read_text(encoding="utf-8"))
        rounds = {int(technician): nodes for technician, nodes in answer.items()}
        found = evaluate(instance, rounds)
        gap = found.duration / best[path.stem] - 1
        gaps.append(gap)
        print(
            f"| {path.stem} | {found.duration:.3f} | {best[path.stem]:.3f} | {gap:+.2%} "
            f"| {len(found.violations)} |"
        )
        for violation in found.violations:
            print(f"  {violation}")
    if gaps:
        print(f"mean gap {sum(gaps) / len(gaps):+.3%} over {len(gaps)} instances")


def main() -> None:
    """Evaluate a folder of answers."""
    parser = argparse.ArgumentParser(description="Evaluate published technician problems.")
    parser.add_argument("folder", type=Path, help="the published files")
    parser.add_argument("answers", type=Path, help="a folder with one JSON file for each")
    options = parser.parse_args()
    print_table(options.folder, options.answers)


if __name__ == "__main__":
    main()
