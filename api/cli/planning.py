"""``steamround seed`` and ``steamround plan``."""

from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Annotated

import typer
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from api.actions.load_company import load_company
from api.actions.planning import PlanRequest, claim_plan, request_plan, solve_plan
from api.actions.publishing import publish_plan
from api.actions.raise_due_work import raise_due_work
from api.cli.printing import print_changes, print_draft
from api.cli.setting_up import (
    OPERATOR,
    DataFolder,
    console,
    known_catalogue,
    open_database,
    present,
    settings_for,
)
from api.storage.database import Database
from api.storage.snapshots import company_zone
from api.storage.tables import PlanRow
from scheduler.errors import Conflict
from scheduler.routing.loading import load_kernel
from scheduler.working_time import local_date
from seed_data.company import COMPANY_FOLDER


def seed(
    folder: Annotated[
        Path | None, typer.Argument(help="Folder of CSV files; the demo company without one.")
    ] = None,
    data_folder: DataFolder = None,
) -> None:
    """Load a company: clients, sites, machines, people and history. Safe to repeat."""
    database = open_database(settings_for(data_folder))
    loaded = load_company(
        database, folder or COMPANY_FOLDER, known_catalogue(), now=present(), origin=OPERATOR
    )
    console.print(str(loaded), markup=False)


def plan(
    first_day: Annotated[
        str | None, typer.Option(help="First day to plan, such as 2027-03-22; tomorrow otherwise.")
    ] = None,
    days: Annotated[int, typer.Option(help="Working days to plan.")] = 10,
    seconds: Annotated[float | None, typer.Option(help="How long to search.")] = None,
    iterations: Annotated[
        int | None, typer.Option(help="Search this long instead; the same plan every time.")
    ] = None,
    random_seed: Annotated[int, typer.Option("--seed", help="Starts the random numbers.")] = 1,
    publish: Annotated[bool, typer.Option(help="Publish the draft at once.")] = False,
    data_folder: DataFolder = None,
) -> None:
    """Raise what falls due, plan the coming working days and show the draft."""
    database = open_database(settings_for(data_folder))
    catalogue, now = known_catalogue(), present()
    raised = raise_due_work(database, catalogue, now=now, origin=OPERATOR)
    console.print(f"{raised.tasks} tasks fall due, in {raised.visits} visits.")
    with database.read() as session:
        tomorrow = local_date(now, company_zone(session)) + timedelta(days=1)
    request = PlanRequest(
        first_day=tomorrow if first_day is None else day_from(first_day),
        days=days,
        seconds=seconds,
        iterations=iterations,
        seed=random_seed,
    )
    draft = plan_with_bar(database, request, clock=present)
    print_draft(database, draft)
    if publish:
        print_changes(publish_plan(database, draft.id, catalogue, now=now, origin=OPERATOR))
    else:
        console.print(f"Draft {draft.id} is not published yet.")


def day_from(text: str) -> date:
    """Read a day typed on the command line."""
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise typer.BadParameter(f"{text!r} is not a day such as 2027-03-22") from error


def plan_with_bar(
    database: Database, request: PlanRequest, *, clock: Callable[[], datetime]
) -> PlanRow:
    """Ask for a plan and solve it in this process, under a progress bar.

    Raises
    ------
    Conflict
        No draft came of it; the message says why.
    """
    load_kernel(announce=console.print)
    row = request_plan(database, request, now=clock(), origin=OPERATOR)
    holder = f"command line/{row.id}"
    with Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.fields[cost]}"),
        TimeElapsedColumn(),
        console=console,
    ) as progress:
        bar = progress.add_task("Planning", total=1.0, cost="preparing")

        def show(share: float, cost: int) -> None:
            progress.update(bar, completed=share, cost=f"cost {cost}")

        if claim_plan(database, holder=holder, now=clock(), only=row.id) is None:
            raise Conflict(f"plan {row.id} is being solved by another process already")
        solved = solve_plan(database, row.id, holder=holder, clock=clock, listen=show)
        progress.update(bar, completed=1.0)
    if solved.state != "draft":
        raise Conflict(f"plan {solved.id} is {solved.state}: {solved.failure or 'no reason given'}")
    return solved
