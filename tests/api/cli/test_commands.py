"""The commands one by one: problem files solved and checked, bad input answered in words."""

import json
from datetime import datetime, time
from pathlib import Path

import pytest

from api.actions.load_company import load_company
from api.actions.planning import PlanRequest
from api.actions.raise_due_work import raise_due_work
from api.actions.solving import assemble_plan
from api.storage.audit import Origin
from api.storage.database import Database
from scheduler.routing.bound import lower_bound
from scheduler.routing.cheapest_insertion import cheapest_insertion
from scheduler.routing.problem_file import read_problem, write_problem
from scheduler.working_time import instant_at
from seed_data.catalogue import load_catalogue
from seed_data.company import COMPANY_FOLDER, planning_day
from tests.api.cli.test_demo import steamround


@pytest.fixture(scope="module")
def problem_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the file of the problem that the demo company has on the demo's morning."""
    folder = tmp_path_factory.mktemp("problem")
    database, catalogue = Database(f"sqlite:///{folder / 'db.sqlite'}"), load_catalogue()
    database.create_or_upgrade()
    day, origin = planning_day(), Origin(actor="tester")
    morning = instant_at(datetime.combine(day, time(6, 30)), "Europe/Paris")
    load_company(database, COMPANY_FOLDER, catalogue, now=morning, origin=origin)
    raise_due_work(database, catalogue, now=morning, origin=origin)
    problem = assemble_plan(database, PlanRequest(first_day=day), now=morning).problem
    database.close()
    write_problem(problem, folder / "problem.json.gz")
    return folder / "problem.json.gz"


def test_a_problem_file_is_solved_better_than_by_cheapest_insertion_and_passes_the_check(
    problem_file: Path, tmp_path: Path
) -> None:
    solved = steamround(
        "problem", "solve", str(problem_file), "--out", "plan.json", "--iterations", "3000",
        folder=tmp_path,
    )  # fmt: skip
    assert solved.returncode == 0, solved.stderr
    cost = json.loads((tmp_path / "plan.json").read_text())["cost"]["total"]
    problem = read_problem(problem_file)
    proven = lower_bound(problem)  # visits without any access, and a first drive, cost every plan
    plain = cheapest_insertion(problem).cost.total
    assert proven <= cost <= proven + 0.8 * (plain - proven)

    checked = steamround("problem", "check", str(problem_file), "plan.json", folder=tmp_path)
    assert (checked.returncode, checked.stdout) == (0, "The plan keeps every rule.\n")


def short_plan(problem_file: Path, folder: Path) -> bytes:
    """Return the plan of a short search, always the same."""
    done = steamround(
        "problem", "solve", str(problem_file), "--out", "plan.json", "--iterations", "200",
        folder=folder,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return (folder / "plan.json").read_bytes()


@pytest.fixture(scope="module")
def plan(problem_file: Path, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return short_plan(problem_file, tmp_path_factory.mktemp("plan"))


def test_one_seed_and_one_bound_give_the_demo_company_one_plan(
    problem_file: Path, plan: bytes, tmp_path: Path
) -> None:
    assert short_plan(problem_file, tmp_path) == plan


def test_a_plan_that_was_tampered_with_is_refused_with_every_violation(
    problem_file: Path, plan: bytes, tmp_path: Path
) -> None:
    tampered = json.loads(plan)
    doubled, hurried = tampered["stops"][0], tampered["stops"][-1]
    tampered["stops"].append(dict(doubled))
    hurried["start"] -= 100_000
    tampered["cost"]["total"] += 1
    (tmp_path / "plan.json").write_text(json.dumps(tampered))

    checked = steamround("problem", "check", str(problem_file), "plan.json", folder=tmp_path)

    rules = {line.split(":")[0] for line in checked.stdout.splitlines() if ": " in line}
    assert checked.returncode == 1
    assert {"planned_twice", "outside_windows", "starts_too_early", "cost_wrong"} <= rules


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("problem", "check", "none.json", "none.json"), "none.json"),
        (("problem", "solve", "bad.json", "--out", "plan.json"), "bad.json"),
        (("problem", "solve", "odd.json", "--out", "plan.json"), "visits[0].minutes"),
        (("seed", "nowhere"), "nowhere"),
        (("feed", "link", "te-99"), "there is no technician 'te-99'"),
        (("key", "create", "Portal", "--role", "portal"), "a portal key"),
        (("key", "create", " ", "--role", "dispatcher"), "say in its name"),
    ],
)
def test_bad_input_is_answered_in_words(
    arguments: tuple[str, ...], message: str, tmp_path: Path
) -> None:
    (tmp_path / "bad.json").write_text("{")
    (tmp_path / "odd.json").write_text(
        json.dumps(
            {
                "format": "steamround-problem/1",
                "minute_zero": "2027-03-01T00:00:00Z",
                "places": [{"id": "p"}],
                "travel_minutes": [[0]],
                "shifts": [],
                "visits": [
                    {
                        "id": "v",
                        "place": 0,
                        "minutes": -1,
                        "skills": [],
                        "start_windows": [],
                        "leave_out_cost": 1,
                    }
                ],
            }
        )
    )

    done = steamround(*arguments, folder=tmp_path)

    assert done.returncode == 2
    assert message in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "plan.json").exists()
