"""``steamround outlook``: what the year ahead holds, and what sharing visits saves."""

from collections.abc import Sequence
from datetime import date
from typing import Annotated

import typer
from rich.table import Table

from api.actions.look_ahead import outlook, visits_ahead
from api.cli.setting_up import (
    DataFolder,
    console,
    day_from,
    known_catalogue,
    open_database,
    settings_for,
)
from api.present import time_of
from api.storage.snapshots import company
from scheduler.bundling_policy import BundlingPolicy
from scheduler.outlook import MonthAhead
from scheduler.working_time import local_date
from scheduler.year_of_visits import Period


def show_outlook(
    months: Annotated[int, typer.Option(min=1, max=36, help="How many months.")] = 12,
    first_day: Annotated[
        str | None, typer.Option(help="Look ahead from this day, such as 2027-03-22; today.")
    ] = None,
    visits: Annotated[
        bool, typer.Option(help="Also what a year of visits costs, shared or not.")
    ] = True,
    data_folder: DataFolder = None,
) -> None:
    """Show the work, parts and money of the months to come, and what shared visits save."""
    settings = settings_for(data_folder)
    database = open_database(settings)
    catalogue = known_catalogue(database)
    with database.read() as session:
        row = company(session)
        today = (
            local_date(time_of(settings)(), row.zone) if first_day is None else day_from(first_day)
        )
        console.print(
            _months(outlook(session, catalogue, today=today, months=months), row.currency)
        )
        if visits:
            policy = BundlingPolicy()
            year = visits_ahead(session, catalogue, today=today, policy=policy)
            console.print(_visits(year, policy, row.currency))
            console.print(_said(year), highlight=False)


def _months(ahead: Sequence[MonthAhead], currency: str) -> Table:
    table = _table("The months to come", "From", "Tasks", "Hands-on hours", f"Cost {currency}")
    for month in ahead:
        hours, cost = month.minutes / 60, month.cost_minor / 100
        table.add_row(_day(month.start), str(month.tasks), f"{hours:.0f}", f"{cost:,.0f}")
    return table


def _visits(year: Sequence[Period], policy: BundlingPolicy, currency: str) -> Table:
    def money(minutes: float) -> str:
        return f"{minutes * policy.money_minor_per_minute / 100:,.0f}"

    table = _table(
        "A year of visits",
        *("Four weeks from", "Tasks", "Visits", f"Shared {currency}", f"Each alone {currency}"),
        *("Saved", "Latest day missed"),
    )
    for period in (*year, None):
        rows = year if period is None else (period,)
        cost = sum(each.cost_minutes for each in rows)
        alone = sum(each.separate_minutes for each in rows)
        table.add_row(
            "The year" if period is None else _day(period.start),
            str(sum(each.tasks for each in rows)),
            str(sum(each.visits for each in rows)),
            money(cost),
            money(alone),
            f"{_saved(rows):.0%}",
            str(sum(each.missed for each in rows)),
            end_section=period is year[-1],
        )
    return table


def _said(year: Sequence[Period]) -> str:
    overdue = sum(period.overdue for period in year)
    return (
        f"Sharing visits costs {_saved(year):.0%} less than a visit for each task; "
        f"{sum(period.missed for period in year)} latest days are missed. {overdue} tasks are "
        "overdue today and are done as soon as can be."
    )


def _saved(periods: Sequence[Period]) -> float:
    alone = sum(period.separate_minutes for period in periods)
    return 1 - sum(period.cost_minutes for period in periods) / alone if alone else 0.0


def _table(title: str, first: str, *others: str) -> Table:
    table = Table(title=title, title_justify="left")
    table.add_column(first)
    for name in others:
        table.add_column(name, justify="right")
    return table


def _day(day: date) -> str:
    return f"{day.day} {day:%b %Y}"
