"""``steamround problem``: save a planning problem, solve it anywhere, check a plan."""

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Annotated, TypeVar

import typer

from api.actions.planning import PlanRequest
from api.actions.solving import assemble_plan
from api.cli.printing import print_bound
from api.cli.search_bar import search_bar
from api.cli.setting_up import DataFolder, console, day_from, open_database, settings_for
from api.present import time_of
from api.settings import spare_cores
from api.storage.road_ways import road_service
from scheduler.errors import InvalidInput
from scheduler.replanning import Repair
from scheduler.replanning import repair as repaired
from scheduler.road_travel import OSM_ATTRIBUTION
from scheduler.routing.bound import affordable_bound
from scheduler.routing.checker import check as violations_of
from scheduler.routing.engine import Iterations, Progress, Seconds
from scheduler.routing.explanation import explain_left_out
from scheduler.routing.loading import load_kernel
from scheduler.routing.plan import read_plan, write_plan
from scheduler.routing.problem_file import read_problem, write_problem
from scheduler.routing.regions import solve_any_size as search

Read = TypeVar("Read")

problem_app = typer.Typer(help="Planning problems as files.", no_args_is_help=True)


@problem_app.command()
def export(
    out: Annotated[Path, typer.Argument(help="File to write; packed when it ends in .gz.")],
    first_day: Annotated[
        date, typer.Option(parser=day_from, help="First day to plan, such as 2027-03-22.")
    ],
    days: Annotated[int, typer.Option(help="Working days to plan.")] = 10,
    data_folder: DataFolder = None,
) -> None:
    """Write the problem that a plan of these days would solve."""
    settings = settings_for(data_folder)
    request = PlanRequest(first_day=first_day, days=days)
    database = open_database(settings)
    problem = assemble_plan(database, request, now=time_of(settings)()).problem
    write_problem(problem, out)
    console.print(
        f"{len(problem.visits)} visits, {len(problem.shifts)} shifts, "
        f"{len(problem.places)} places written to {out}."
    )
    with database.read() as session:
        if road_service(session) is not None:
            console.print(f"Travel times by road, to be passed on with it: {OSM_ATTRIBUTION}")


@problem_app.command()
def solve(
    problem_file: Annotated[Path, typer.Argument(metavar="FILE")],
    out: Annotated[Path, typer.Option(help="Plan file to write.")],
    seconds: Annotated[
        float | None, typer.Option(help="How long to search; 10 by default.")
    ] = None,
    iterations: Annotated[int | None, typer.Option(help="Search this long instead.")] = None,
    seed: Annotated[int, typer.Option(help="Starts the random numbers.")] = 1,
    threads: Annotated[
        int | None,
        typer.Option(
            min=1, help="Searches at once; as many as there are spare cores, 1 with --iterations."
        ),
    ] = None,
    start_from: Annotated[Path | None, typer.Option(help="Plan file to improve.")] = None,
    repair: Annotated[
        bool, typer.Option(help="Change as little as is sensible of the plan started from.")
    ] = False,
    frozen_before: Annotated[
        int | None,
        typer.Option(help="Leave what starts before this minute as it is; with --repair."),
    ] = None,
) -> None:
    """Solve a problem file and write the plan."""
    if seconds is not None and iterations is not None:
        raise InvalidInput("give --seconds or --iterations, not both")
    if repair and start_from is None:
        raise InvalidInput("give the plan to repair with --start-from PLAN")
    if frozen_before is not None and not repair:
        raise InvalidInput("--frozen-before goes with --repair")
    problem = _read(problem_file, read_problem)
    start = _read(start_from, read_plan) if start_from is not None else None
    stop = Seconds(10.0 if seconds is None else seconds)
    bound = stop if iterations is None else Iterations(iterations)
    if threads is None:
        threads = spare_cores() if iterations is None else 1
    load_kernel(announce=console.print)
    with search_bar() as show_share:

        def show(at: Progress) -> None:
            done = at.seconds / stop.seconds if iterations is None else at.iterations / iterations
            show_share(done, at.cost)

        if repair and start is not None:
            outcome = repaired(
                problem,
                start,
                stop=bound,
                seed=seed,
                frozen_before=frozen_before,
                on_progress=show,
                threads=threads,
            )
            plan = outcome.unstiffened(problem)
        else:
            outcome = None
            plan = search(
                problem,
                stop=bound,
                seed=seed,
                start_from=start,
                on_progress=show,
                threads=threads,
            )
    plan = explain_left_out(problem, plan)
    write_plan(plan, out)
    cost = plan.cost
    console.print(
        f"Cost {cost.total}: travel {cost.travel}, balance {cost.balance}, "
        f"shift costs {cost.shift_costs}, "
        f"left out {cost.left_out} ({len(plan.left_out)} visits). Written to {out}."
    )
    print_bound(plan.cost.total, affordable_bound(problem))
    if outcome is not None:
        _print_changes(outcome)


def _print_changes(outcome: Repair) -> None:
    console.print(
        f"Of the plan started from, {len(outcome.handed_over)} visits change technician, "
        f"{len(outcome.other_day)} change day, {len(outcome.other_time)} change time, "
        f"{len(outcome.withdrawn)} are left out."
    )


@problem_app.command()
def check(
    problem_file: Annotated[Path, typer.Argument(metavar="FILE")],
    plan_file: Annotated[Path, typer.Argument(metavar="PLAN")],
) -> None:
    """Check a plan against its problem; exit status 1 when it breaks a rule."""
    found = violations_of(_read(problem_file, read_problem), _read(plan_file, read_plan))
    for violation in found:
        console.print(f"{violation.rule}: {violation.detail}", markup=False, highlight=False)
    if found:
        console.print(f"{len(found)} violations.")
        raise typer.Exit(1)
    console.print("The plan keeps every rule.")


def _read(path: Path, reader: Callable[[Path], Read]) -> Read:
    """Read a file; whatever is wrong with it is said with its name.

    Raises
    ------
    InvalidInput
        It cannot be read, or breaks its own rules.
    """
    try:
        return reader(path)
    except OSError as error:
        raise InvalidInput(f"cannot read {path}: {error.strerror}") from error
    except InvalidInput as error:
        raise InvalidInput(f"{path} is not as it should be:\n{error}") from error
