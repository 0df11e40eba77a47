"""``steamround demo``: the whole job on the invented company, from an empty folder."""

import os
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

import typer
from rich.panel import Panel
from sqlmodel import col, select

from api.actions.calendars import Feed, move_calendars
from api.actions.change_booking_rules import change_booking_rules
from api.actions.feed_links import create_feed_link
from api.actions.keys import create_key
from api.actions.load_company import load_company
from api.actions.plan_changes import Change
from api.actions.planning import PlanRequest
from api.actions.publishing import publish_plan
from api.actions.raise_due_work import raise_due_work
from api.actions.take_callback import FaultReport, take_callback
from api.auth import Role
from api.cli.planning import plan_with_bar
from api.cli.printing import print_changes, print_draft, print_rounds
from api.cli.serving import serve
from api.cli.setting_up import OPERATOR, console, known_catalogue, open_database
from api.feeds.links import file_stem
from api.pages.rounds_picture import RoundsPicture, draw_rounds
from api.present import DEMO_FILE, set_demo_clock
from api.settings import DATABASE_URL, PUBLIC_URL, Settings, prepare_data_folder
from api.storage.database import Database
from api.storage.documents import finding_from_json, unpack_problem
from api.storage.rounds import rounds_between
from api.storage.snapshots import company, company_zone
from api.storage.tables import (
    AppointmentRow,
    CallbackRow,
    FeedDocumentRow,
    FeedKind,
    MachineRow,
    PlanRow,
    SiteRow,
    TechnicianRow,
    VisitRow,
)
from scheduler.catalogue import Catalogue
from scheduler.errors import Conflict
from scheduler.routing.checker import check as violations_of
from scheduler.routing.plan import plan_from_json
from scheduler.waters import barriers_from_documents
from scheduler.working_time import instant_at, local_day
from seed_data.company import COMPANY_FOLDER, planning_day

_TELEPHONE = "+33 5 36 49 00 00"  # of the numbers kept free for fiction
_DATABASE, _CALENDARS = "steamround.sqlite", "calendars"
_ENTRANCES, _PICTURE = "entrances.txt", "rounds.html"

_DAYS = 10
_SECONDS = 12.0
_MORNING = (6, 30)
_CALL = (9, 40)
_SYMPTOM, _WORDS = "no_heat", "Stone cold since we opened, and there is a queue out of the door."
_CALL_SHARE = 0.4
"""Share of the search given to fitting the call into the published plan."""

_CREDIT = (
    "The company, its cafés and everybody in it are invented. Towns: GeoNames, CC BY 4.0. "
    "Waters and crossings from memory, for this demo only; drives are estimates, not a road map."
)


def demo(
    folder: Annotated[
        Path, typer.Option(help="Folder to fill; an earlier demo in it is replaced.")
    ] = Path("steamround-demo"),
    seconds: Annotated[
        float | None, typer.Option(help="How long to search for the ten days; 12 by default.")
    ] = None,
    iterations: Annotated[
        int | None, typer.Option(help="Search this long instead; the same plans every time.")
    ] = None,
    seed: Annotated[int, typer.Option(help="Starts the random numbers.")] = 1,
    and_serve: Annotated[bool, typer.Option("--serve", help="Go on and serve the result.")] = False,
    port: Annotated[int, typer.Option(help="Port to serve on.")] = 8000,
) -> None:
    """Plan ten working days of the demo company, take a breakdown call and fit it in."""
    begun = time.perf_counter()
    if seconds is None and iterations is None:
        seconds = _SECONDS
    # all of it in the one folder, whatever the environment says of another company's database
    public_url = f"http://127.0.0.1:{port}"
    settings = Settings.in_folder(folder, public_url=public_url)
    _make_room(settings.data_folder)
    prepare_data_folder(settings)
    set_demo_clock(settings.data_folder, showing=_before_dawn(planning_day()))
    database = open_database(settings)
    run = _Demo(
        folder=settings.data_folder,
        database=database,
        today=planning_day(),
        request=PlanRequest(
            first_day=planning_day(), days=_DAYS, seconds=seconds, iterations=iterations, seed=seed
        ),
    )
    console.rule("Steamround demo")
    console.print(_CREDIT)
    run.load()
    move_calendars(run.database, public_url, run.catalogue, now=run.at(*_MORNING))
    run.plan_ten_days()
    callback = run.take_the_call()
    run.fit_it_in(callback)
    run.show_tomorrow()
    run.check_plans()
    run.write_files(public_url)
    set_demo_clock(settings.data_folder, showing=run.at(*_CALL))
    console.print(f"Done in {time.perf_counter() - begun:.0f} s.")
    if and_serve:
        os.environ.pop(DATABASE_URL, None)
        os.environ[PUBLIC_URL] = public_url
        serve(port=port, data_folder=folder)
    else:
        console.print(f"To serve it: steamround serve --data-folder {folder}")


def _make_room(folder: Path) -> None:
    """Remove what an earlier demo made, and nothing else; the compiled planner is still good.

    Raises
    ------
    Conflict
        The folder holds something and no demo made it.
    """
    if not folder.exists():
        return
    if any(folder.iterdir()) and not (folder / DEMO_FILE).exists():
        raise Conflict(f"{folder} holds something that is no demo: name another --folder")
    journals = (f"{_DATABASE}{suffix}" for suffix in ("", "-wal", "-shm", "-journal"))
    calendars = (folder / _CALENDARS).glob("*.ics")
    for made in (*calendars, *(folder / name for name in (*journals, _ENTRANCES, _PICTURE))):
        made.unlink(missing_ok=True)


def _before_dawn(day: date) -> datetime:
    """Return an instant of the day before the company, whose hours nobody knows yet, is loaded."""
    return datetime.combine(day, datetime.min.time(), UTC)


def _shortened(request: PlanRequest, share: float) -> PlanRequest:
    """Return the same request with a share of its bound."""
    if request.iterations is not None:
        return replace(request, iterations=max(round(request.iterations * share), 1))
    assert request.seconds is not None, "the demo bounds its searches"
    return replace(request, seconds=request.seconds * share)


@dataclass(frozen=True, kw_only=True)
class _Demo:
    """The steps of the demo, on one database and one invented day."""

    folder: Path
    database: Database
    today: date
    request: PlanRequest

    @cached_property
    def catalogue(self) -> Catalogue:
        """The catalogue in force, in the currency of the company once that is loaded."""
        return known_catalogue(self.database)

    def load(self) -> None:
        """Load the company and raise what falls due."""
        loaded = load_company(
            self.database,
            COMPANY_FOLDER,
            known_catalogue(self.database),
            now=_before_dawn(self.today),
            origin=OPERATOR,
        )
        change_booking_rules(
            self.database,
            {"telephone": _TELEPHONE},
            if_version=1,
            now=_before_dawn(self.today),
            origin=OPERATOR,
        )
        with self.database.read() as session:
            console.print(
                f"{company(session).name} looks after {loaded['machine'].added} machines, grinders "
                f"and filters at {loaded['site'].added} sites of {loaded['client'].added} clients, "
                f"with {loaded['technician'].added} technicians. "
                f"History: {loaded['work_done'].added} pieces of work."
            )
        raised = raise_due_work(
            self.database, self.catalogue, now=self.at(*_MORNING), origin=OPERATOR
        )
        saved = 1 - raised.cost_minutes / max(raised.separate_cost_minutes, 1)
        console.print(
            f"It is the morning of {self.today:%A %d %B %Y}. In the coming four weeks "
            f"{raised.tasks} tasks fall due; they make {raised.visits} visits, "
            f"{saved:.0%} cheaper than one visit for each task."
        )

    def plan_ten_days(self) -> None:
        """Plan ten working days and publish them."""
        draft = plan_with_bar(
            self.database, self.request, self.catalogue, clock=lambda: self.at(*_MORNING)
        )
        print_draft(self.database, draft)
        self._publish(draft.id, self.at(*_MORNING))
        console.print("Published: every technician's calendar shows it now.")

    def take_the_call(self) -> CallbackRow:
        """Report a fault of the busiest machine that nobody visits today."""
        console.rule(f"{_CALL[0]:02d}:{_CALL[1]:02d}, the telephone rings")
        with self.database.read() as session:
            day = local_day(self.today, company_zone(session)).hull()
            assert day is not None, "every day of this zone has hours"
            visited = (
                select(VisitRow.site_id)
                .join(AppointmentRow, col(AppointmentRow.visit_id) == col(VisitRow.id))
                .where(AppointmentRow.starts_at >= day.start, AppointmentRow.starts_at < day.end)
            )
            machine, site = session.exec(
                select(MachineRow, SiteRow)
                .join(SiteRow, col(SiteRow.id) == col(MachineRow.site_id))
                .where(MachineRow.kind == "espresso_machine", col(SiteRow.id).not_in(visited))
                .order_by(col(MachineRow.drinks_per_day).desc(), col(MachineRow.id))
            ).first() or (None, None)
        assert machine is not None, "the demo company has such a machine"
        assert site is not None, "every machine has a site"
        callback = take_callback(
            self.database,
            FaultReport(machine=machine.tag, symptoms=(_SYMPTOM,), text=_WORDS),
            self.catalogue,
            now=self.at(*_CALL),
            origin=OPERATOR,
        )
        finding = finding_from_json(callback.finding)
        likely = ", ".join(f"{f.name} ({f.probability:.0%})" for f in finding.likely_faults[:3])
        bring = ", ".join(
            f"{quantity} × {self.catalogue.part_types[part].name}"
            for part, quantity in finding.parts.items()
        )
        lines = [
            f"{site.name}, {site.town}: {machine.name}, tag {machine.tag}",
            f"“{_WORDS}”",
            f"Urgency: {callback.urgency}. Likely: {likely}.",
            f"Bring: {bring or 'nothing special'}. Allow {finding.minutes} minutes.",
            *(f"Tell the café now: {advice}" for advice in finding.make_safe),
        ]
        if finding.next_question is not None:
            lines.append(f"Ask: {self.catalogue.symptoms[finding.next_question].question}")
        if callback.respond_by is not None:
            lines.append(
                f"The contract promises somebody there by {self._local(callback.respond_by)}."
            )
        console.print(Panel("\n".join(lines), title="Callback", title_align="left"))
        return callback

    def fit_it_in(self, callback: CallbackRow) -> None:
        """Plan again from now, close to what is published, and publish that."""
        draft = plan_with_bar(
            self.database,
            _shortened(self.request, _CALL_SHARE),
            self.catalogue,
            clock=lambda: self.at(*_CALL),
        )
        changes = self._publish(draft.id, self.at(*_CALL))
        print_changes(changes)
        answer = next((each for each in changes if each.visit == callback.visit_id), None)
        if answer is None or answer.after is None:
            console.print("Nobody can come in the next ten days: a dispatcher has to find a way.")
            return
        with self.database.read() as session:
            person = session.get_one(TechnicianRow, answer.after.technician)
        kept = callback.respond_by is None or answer.after.starts_at <= callback.respond_by
        console.print(
            f"[bold]{person.name} is there {self._local(answer.after.starts_at)}, "
            f"{'within' if kept else 'after'} the promised time.[/bold]"
        )

    def show_tomorrow(self) -> None:
        """Print the rounds of the next day."""
        tomorrow = self.today + timedelta(days=1)
        with self.database.read() as session:
            day = local_day(tomorrow, company_zone(session)).hull()
            assert day is not None, "every day of this zone has hours"
            print_rounds(tomorrow, rounds_between(session, day.start, day.end))

    def check_plans(self) -> None:
        """Hold every plan made against the rules once more."""
        with self.database.read() as session:
            plans = session.exec(select(PlanRow)).all()
        found = [
            violation
            for row in plans
            if row.problem is not None
            for violation in violations_of(
                unpack_problem(row.problem), plan_from_json(row.solution)
            )
        ]
        for violation in found:
            console.print(f"{violation.rule}: {violation.detail}", markup=False, highlight=False)
        console.print(
            f"Checked by a program that shares no code with the planner: "
            f"{len(found)} violations in {len(plans)} plans."
        )

    def write_files(self, public_url: str) -> None:
        """Write the calendars, the picture, and how to get in once it is served."""
        calendars = self.folder / _CALENDARS
        calendars.mkdir(exist_ok=True)
        _, secret = create_key(
            self.database,
            name="demo",
            role=Role.DISPATCHER,
            client=None,
            technician=None,
            now=self.at(*_CALL),
            origin=OPERATOR,
        )
        entrances = [f"Dispatcher's API key: {secret}", ""]
        with self.database.read() as session:
            people = session.exec(select(TechnicianRow).order_by(col(TechnicianRow.name))).all()
            documents = {
                row.subject: row
                for row in session.exec(
                    select(FeedDocumentRow).where(FeedDocumentRow.kind == FeedKind.TECHNICIAN)
                )
            }
        for person in people:
            if person.id in documents:
                name = f"{file_stem(person.name)}.ics"
                (calendars / name).write_bytes(documents[person.id].body)
            _, path = create_feed_link(
                self.database,
                Feed(FeedKind.TECHNICIAN, person.id),
                "demo",
                self.catalogue,
                now=self.at(*_CALL),
                origin=OPERATOR,
            )
            entrances.append(f"Calendar of {person.name}: {public_url}{path}")
        (self.folder / _ENTRANCES).write_text("\n".join(entrances) + "\n", encoding="utf-8")
        picture = self.folder / _PICTURE
        picture.write_text(self._picture(), encoding="utf-8")
        console.print(
            f"Calendars: {calendars}\nPicture of tomorrow: {picture}\n"
            f"API key and calendar addresses: {self.folder / _ENTRANCES}",
            highlight=False,
        )

    def at(self, hour: int, minute: int) -> datetime:
        """Return the instant of a time of the demo's day."""
        with self.database.read() as session:
            zone = company_zone(session)
        midnight = datetime.combine(self.today, datetime.min.time())
        return instant_at(midnight + timedelta(hours=hour, minutes=minute), zone)

    def _local(self, instant: datetime) -> str:
        with self.database.read() as session:
            local = instant.astimezone(ZoneInfo(company_zone(session)))
        day = "today" if local.date() == self.today else f"on {local:%A %d %B}"
        return f"{day} at {local:%H:%M}"

    def _publish(self, plan_id: str, now: datetime) -> Sequence[Change]:
        return publish_plan(self.database, plan_id, self.catalogue, now=now, origin=OPERATOR)

    def _picture(self) -> str:
        tomorrow = self.today + timedelta(days=1)
        with self.database.read() as session:
            row = company(session)
            shown = local_day(tomorrow, row.zone).hull()
            assert shown is not None, "every day of this zone has hours"
            since = self.at(0, 0)
            around = rounds_between(session, since, since + timedelta(days=_DAYS + 8))
            rounds = rounds_between(session, shown.start, shown.end)
        stops = [stop for each in rounds for stop in each.stops]
        work = sum(each.work_minutes for each in rounds)
        drive = sum(each.travel_minutes for each in rounds)
        return draw_rounds(
            RoundsPicture(
                company=row.name,
                day=tomorrow,
                rounds=rounds,
                around=around,
                waters=barriers_from_documents(row.barriers),
                note=f"{len(stops)} visits: {work // 60} h {work % 60:02d} at the machines, "
                f"{drive // 60} h {drive % 60:02d} on the way to them.",
                credit=_CREDIT,
            )
        )
