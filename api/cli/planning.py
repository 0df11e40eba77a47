"""``steamround seed`` and ``steamround plan``."""

from datetime import date, timedelta
from pathlib import Path
from typing import Annotated

import typer

from api.actions.load_company import load_company
from api.actions.planning import PlanRequest, claim_plan, request_plan
from api.actions.publishing import publish_plan
from api.actions.raise_due_work import raise_due_work
from api.actions.solving import solve_plan
from api.cli.printing import print_changes, print_draft
from api.cli.search_bar import search_bar
from api.cli.setting_up import (
    OPERATOR,
    DataFolder,
    console,
    day_from,
    known_catalogue,
    open_database,
    settings_for,
)
from api.present import TellTime, demo_clock, time_of
from api.storage.database import Database
from api.storage.snapshots import company_zone
from api.storage.tables import PlanRow
from scheduler.catalogue import Catalogue
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
    settings = settings_for(data_folder)
    if demo_clock(settings) is not None:
        raise Conflict(
            f"{settings.data_folder} holds a demo, whose clock is not the real one and which the "
            "next demo replaces: name another --data-folder"
        )
    database = open_database(settings)
    loaded = load_company(
        database,
        folder or COMPANY_FOLDER,
        known_catalogue(database),
        now=time_of(settings)(),
        origin=OPERATOR,
    )
    for kind, count in loaded.items():
        console.print(
            f"{kind.replace('_', ' ')}: {count.added} added, {count.changed} changed, "
            f"{count.unchanged} unchanged",
            highlight=False,
        )


def plan(
    first_day: Annotated[
        date | None,
        typer.Option(
            parser=day_from, help="First day to plan, such as 2027-03-22; tomorrow otherwise."
        ),
    ] = None,
    days: Annotated[int, typer.Option(help="Working days to plan.")] = 10,
    seconds: Annotated[float | None, typer.Option(help="How long to search.")] = None,
    iterations: Annotated[
        int | None, typer.Option(help="Search this long instead; the same plan every time.")
    ] = None,
    random_seed: Annotated[int, typer.Option("--seed", help="Starts the random numbers.")] = 1,
    repair: Annotated[
        bool, typer.Option(help="Change as little as is sensible of what is published.")
    ] = False,
    publish: Annotated[bool, typer.Option(help="Publish the draft at once.")] = False,
    data_folder: DataFolder = None,
) -> None:
    """Raise what falls due, plan the coming working days and show the draft."""
    settings = settings_for(data_folder)
    database = open_database(settings)
    catalogue = known_catalogue(database)
    tell_time = time_of(settings)
    now = tell_time()
    raised = raise_due_work(database, catalogue, now=now, origin=OPERATOR)
    console.print(f"{raised.tasks} tasks fall due, in {raised.visits} visits.")
    with database.read() as session:
        tomorrow = local_date(now, company_zone(session)) + timedelta(days=1)
    request = PlanRequest(
        first_day=first_day or tomorrow,
        days=days,
        seconds=seconds,
        iterations=iterations,
        seed=random_seed,
        repairs=repair,
    )
    draft = plan_with_bar(
        database, request, catalogue, clock=tell_time, threads=settings.planning_threads
    )
    print_draft(database, draft)
    if publish:
        print_changes(publish_plan(database, draft.id, catalogue, now=tell_time(), origin=OPERATOR))
    else:
        console.print(f"Draft {draft.id} is not published yet.")


def plan_with_bar(
    database: Database,
    request: PlanRequest,
    catalogue: Catalogue,
    *,
    clock: TellTime,
    threads: int = 1,
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
    if claim_plan(database, holder=holder, now=clock(), only=row.id) is None:
        raise Conflict(f"plan {row.id} is being solved by another process already")
    with search_bar() as show:
        solved = solve_plan(
            database,
            row.id,
            holder=holder,
            clock=clock,
            listen=show,
            threads=threads,
            part_names=catalogue.part_names,
        )
    if solved.state != "draft":
        raise Conflict(f"plan {solved.id} is {solved.state}: {solved.failure or 'no reason given'}")
    return solved
