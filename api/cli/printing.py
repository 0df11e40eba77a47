"""Tables for the terminal: rounds, drafts and what they change."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from zoneinfo import ZoneInfo

from rich.table import Table
from rich.text import Text
from sqlmodel import col, select

from api.actions.plan_changes import Change, ChangeKind, changes_of
from api.cli.setting_up import console
from api.storage.booked_time import HOLD
from api.storage.database import Database
from api.storage.documents import unpack_problem
from api.storage.rounds import DayRound
from api.storage.snapshots import company_zone
from api.storage.tables import PlanRow, SiteRow, VisitRow
from scheduler.routing.bound import could_save
from scheduler.routing.explanation import Reason
from scheduler.routing.plan import plan_from_json, rounds

_MOST_LEFT_OUT_SHOWN = 8
_WHY_LEFT_OUT: Mapping[Reason, str] = {
    Reason.WAITS_FOR_ANOTHER: "waiting for another visit",
    Reason.NEEDS_TWO: "needing two technicians at once",
    Reason.NO_SKILL: "asking for skills that nobody has",
    Reason.NOT_SUPPLIED: "lacking tools or parts",
    Reason.NO_WINDOW: "without access during anybody's working day",
    Reason.TOO_FAR: "too far away",
    Reason.SITE_TAKEN: "with another technician at the site",
    Reason.PINNED_CONFLICT: "in the way of pinned visits",
    Reason.DEARER_THAN_LEAVING_OUT: "dearer to make than to leave for later",
    Reason.FULL: "without room left in the rounds",
    Reason.SEARCH_ENDED: "not placed before the search ended",
}


def print_rounds(day: date, day_rounds: Sequence[DayRound]) -> None:
    """Print each technician's round of one day."""
    console.rule(f"Rounds of {day:%A %d %B %Y}")
    for day_round in day_rounds:
        zone = ZoneInfo(day_round.zone)
        table = Table(
            title=f"{day_round.name}: {_hours(day_round.work_minutes)} of work, "
            f"{_hours(day_round.travel_minutes)} of driving",
            title_justify="left",
            title_style="bold",
            expand=True,
        )
        table.add_column("Arrive", no_wrap=True)
        table.add_column("Leave", no_wrap=True)
        table.add_column("Drive", justify="right", no_wrap=True)
        table.add_column("Site", ratio=3)
        table.add_column("Work", ratio=4)
        for stop in day_round.stops:
            table.add_row(
                f"{stop.starts_at.astimezone(zone):%H:%M}",
                f"{stop.ends_at.astimezone(zone):%H:%M}",
                stop.way,
                f"{stop.site}, {stop.town}",
                Text(_work(stop.headlines), style="bold red" if stop.urgent else ""),
            )
        console.print(table)


def _work(headlines: Sequence[str]) -> str:
    first, more = headlines[0], len(headlines) - 1
    return f"{first} and {more} more" if more else first


def _hours(minutes: int) -> str:
    return f"{minutes // 60} h {minutes % 60:02d}"


def print_draft(database: Database, draft: PlanRow) -> None:
    """Print what a draft plans, what it changes and what it leaves out, with the reasons."""
    assert draft.problem is not None, "a draft keeps its problem"
    problem, plan = unpack_problem(draft.problem), plan_from_json(draft.solution)
    made = rounds(problem, plan)
    console.print(
        f"Draft: {len(plan.stops)} visits in {len(made)} rounds of "
        f"{len({round_.technician for round_ in made})} technicians, "
        f"{_hours(plan.cost.travel)} of driving, {len(plan.left_out)} visits left for later."
    )
    print_bound(plan.cost.total, draft.lower_bound)
    told = draft.travel or {}
    for line in told.get("warnings", ()):
        console.print(line, style="yellow", highlight=False)
    if attribution := told.get("attribution"):
        console.print(f"Travel times by road: {attribution}", highlight=False)
    left_out = [left.visit.removeprefix(HOLD) for left in plan.left_out]
    with database.read() as session:
        print_changes(changes_of(session, draft))
        names = {
            visit.id: f"{site.name}, {site.town}"
            for visit, site in session.exec(
                select(VisitRow, SiteRow)
                .join(SiteRow, col(SiteRow.id) == col(VisitRow.site_id))
                .where(col(VisitRow.id).in_(left_out))
            )
        }
    if not plan.left_out:
        return
    weights = {visit.id: visit.leave_out_cost for visit in problem.visits}
    table = Table(title="Left out, dearest first", title_justify="left", expand=True)
    table.add_column("Site", ratio=2)
    table.add_column("Why", ratio=4)
    table.add_column("What would help", ratio=3)
    dearest = sorted(plan.left_out, key=lambda left: (-weights[left.visit], left.visit))
    for left in dearest[:_MOST_LEFT_OUT_SHOWN]:
        site = names.get(left.visit.removeprefix(HOLD), left.visit)
        table.add_row(site, left.detail, left.would_help)
    console.print(table)
    if (more := len(dearest) - _MOST_LEFT_OUT_SHOWN) > 0:
        reasons = Counter(left.reason for left in dearest[_MOST_LEFT_OUT_SHOWN:])
        console.print(f"and {more} more: {reasons_in_words(reasons)}")


def reasons_in_words(reasons: Counter[str]) -> str:
    """Return why so many visits each were left out, the commonest reason first."""
    return ", ".join(
        f"{count} {_WHY_LEFT_OUT[Reason(reason)] if reason else 'not looked into'}"
        for reason, count in reasons.most_common()
    )


def print_bound(cost: int, bound: int | None) -> None:
    """Print how far from perfect a plan may be, where that is known."""
    if bound is not None:
        console.print(
            f"It costs {cost}; no plan can cost less than {bound}. So at most "
            f"{could_save(cost, bound):.0%} could be saved, as far as can be proved."
        )


def print_demo_time(database: Database, now: datetime) -> None:
    """Print what day and time it is in a demo, where its company is."""
    with database.read() as session:
        local = now.astimezone(ZoneInfo(company_zone(session)))
    console.print(f"It is {local:%A %d %B %Y, %H:%M} in this demo, and its clock runs on.")


def print_changes(changes: Iterable[Change]) -> None:
    """Print how many visits are added, moved, handed over, withdrawn or left where they are."""
    counts = Counter(change.kind for change in changes)
    listed = ", ".join(f"{counts[kind]} {kind.replace('_', ' ')}" for kind in ChangeKind)
    console.print(f"Against the published calendar: {listed}.")
