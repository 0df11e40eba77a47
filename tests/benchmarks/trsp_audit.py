"""A second opinion on answers to the published technician problems of `trsp`.

    python -m tests.benchmarks.trsp_audit FOLDER ANSWERS

Written from the rules of the problem alone: it shares nothing with the planner nor with the
evaluator in `trsp`, reads the files by their headings and plays every round through, stop by stop.
The latest departure that keeps the earliest return is found by halving over played rounds, so no
formula for waiting is needed.  Exits with an error when an answer breaks a rule.
"""

import ast
import csv
import json
import sys
from collections import Counter
from pathlib import Path
from typing import Any

SLACK = 1e-6


def table_of(path: Path) -> tuple[int, list[dict[str, Any]]]:
    """The number of technicians and all nodes: the depot, the homes, the requests."""
    lines = [line.split() for line in path.read_text(encoding="utf-8").splitlines()]
    crew = next(int(words[0]) for words in lines[3:] if words and words[0].isdigit())
    rows = [words for words in lines if len(words) == 9 and words[0].isdigit()]
    assert [int(words[0]) for words in rows] == list(range(len(rows))), "a node is missing"
    names = ("number", "x", "y", "opens", "closes", "service", "skills", "tools", "parts")
    return crew, [
        dict(zip(names, (ast.literal_eval(word) for word in words), strict=True)) for words in rows
    ]


def played(nodes: list[dict[str, Any]], home: int, stops: list[int], leave: float) -> float | None:
    """When the technician is home again; None when some request is reached too late."""
    minute, here = leave, nodes[home]
    for number in [*stops, home]:
        there = nodes[number]
        minute += ((here["x"] - there["x"]) ** 2 + (here["y"] - there["y"]) ** 2) ** 0.5
        if number not in (0, home):
            if minute > there["closes"] + SLACK:
                return None
            minute = max(minute, there["opens"]) + there["service"]
        here = there
    return minute if minute <= nodes[home]["closes"] + SLACK else None


def duration_of(nodes: list[dict[str, Any]], home: int, stops: list[int]) -> float | None:
    """The earliest return minus the latest departure that still returns then."""
    sooner = float(nodes[home]["opens"])
    home_at = played(nodes, home, stops, sooner)
    if home_at is None:
        return None
    later = home_at
    for _ in range(80):
        middle = (sooner + later) / 2
        back = played(nodes, home, stops, middle)
        if back is not None and back <= home_at + 1e-9:
            sooner = middle
        else:
            later = middle
    return home_at - sooner


def faults_of(nodes: list[dict[str, Any]], home: int, stops: list[int]) -> list[str]:
    """What the technician lacks, before a first call at the depot."""
    person, faults = nodes[home], []
    if Counter(stops)[0] > 1:
        faults.append(f"{home} calls at the depot twice")
    used = [0] * len(person["parts"])
    needs_nothing = False
    for number in stops:
        needs_nothing |= number == 0
        if number == 0:
            continue
        if set(nodes[number]["skills"]) - set(person["skills"]):
            faults.append(f"{home} has not the skills for {number}")
        if needs_nothing:
            continue
        if set(nodes[number]["tools"]) - set(person["tools"]):
            faults.append(f"{home} has not the tools for {number}")
        used = [a + b for a, b in zip(used, nodes[number]["parts"], strict=True)]
        if any(a > b for a, b in zip(used, person["parts"], strict=True)):
            faults.append(f"{home} has not the parts for {number}")
    return faults


def main() -> None:
    """Judge a folder of answers."""
    folder, answers = Path(sys.argv[1]), Path(sys.argv[2])
    with (folder / "best_known.csv").open(encoding="utf-8", newline="") as file:
        best = {row["instance"]: float(row["best_known_total_working_duration"])
                for row in csv.DictReader(file)}  # fmt: skip
    gaps, wrong = [], 0
    for path in sorted(answers.glob("*.json")):
        crew, nodes = table_of(folder / f"{path.stem}.txt")
        rounds = json.loads(path.read_text(encoding="utf-8"))
        faults = [fault for home, stops in rounds.items()
                  for fault in faults_of(nodes, int(home), stops)]  # fmt: skip
        if not all(1 <= int(home) <= crew for home in rounds):
            faults.append("somebody is no technician")
        served = sorted(number for stops in rounds.values() for number in stops if number)
        if served != list(range(crew + 1, len(nodes))):
            faults.append("not every request is served once")
        lengths = [duration_of(nodes, int(home), stops) for home, stops in rounds.items() if stops]
        if None in lengths:
            faults.append("a window or the end of a day is missed")
        total = sum(length or 0.0 for length in lengths)
        gaps.append(total / best[path.stem] - 1)
        wrong += len(faults)
        print(f"{path.stem:6} {total:12.4f} {gaps[-1]:+8.3%} {'; '.join(faults) or 'sound'}")
    not_above = sum(gap <= 0 for gap in gaps)
    print(f"{len(gaps)} answers, mean {sum(gaps) / max(1, len(gaps)):+.3%}, {not_above} not above")
    if wrong:
        sys.exit(f"{wrong} rules broken")


if __name__ == "__main__":
    main()
