"""The newcomer's command, run as a newcomer runs it, and what comes of it."""

import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import date, datetime, timedelta
from itertools import permutations
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import pytest
from sqlmodel import col, select

from api.actions.appointments import move_by_hand
from api.storage.audit import Origin
from api.storage.booking_rules import booking_rules
from api.storage.database import Database
from api.storage.documents import unpack_problem
from api.storage.presence import presences
from api.storage.tables import (
    AppointmentRow,
    ClockClaimRow,
    DueTaskRow,
    PlanRow,
    TechnicianRow,
    VisitRow,
)
from scheduler.errors import DoubleBooking, SiteTaken
from scheduler.presence import Presence, meetings
from scheduler.routing.checker import check
from scheduler.routing.plan import plan_from_json
from seed_data.catalogue import load_catalogue
from tests.published.calendar_clients import CalendarClient

STEAMROUND = Path(sys.executable).parent / "steamround"
PARIS = ZoneInfo("Europe/Paris")


def environment(folder: Path) -> dict[str, str]:
    """Return what a command is given of this process's environment.

    The path, and where the compiled planner lies, which would take long to compile for each.
    """
    shared = {name: os.environ[name] for name in ("PATH", "NUMBA_CACHE_DIR")}
    return shared | {"HOME": str(folder)}


def steamround(*arguments: str, folder: Path, **settings: str) -> subprocess.CompletedProcess[str]:
    """Run a command."""
    return subprocess.run(
        [STEAMROUND, *arguments],
        env=environment(folder) | settings,
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """Return the folder of a demo and what it printed."""
    folder = tmp_path_factory.mktemp("demo")
    here = folder / "here"
    (here / "calendars").mkdir(parents=True)
    # what an earlier demo left, and what somebody put beside it
    for made in ("this-is-a-demo.json", "steamround.sqlite-wal", "calendars/of-a-leaver.ics"):
        (here / made).write_text("{}")
    for kept in ("thesis.txt", "calendars/notes.txt"):
        (here / kept).write_text("three years of work")
    done = steamround(
        "demo", "--folder", "here", "--iterations", "300", folder=folder,
        STEAMROUND_DATABASE_URL=f"sqlite:///{folder / 'real.sqlite'}",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr + done.stdout
    return here, done.stdout


@pytest.fixture(scope="module")
def database(demo: tuple[Path, str]) -> Iterator[Database]:
    database = Database(f"sqlite:///{demo[0] / 'steamround.sqlite'}")
    yield database
    database.close()


def test_the_demo_prints_what_a_dispatcher_wants_to_see(demo: tuple[Path, str]) -> None:
    _, printed = demo
    for words in (
        "fall due",
        "Left out, dearest first",
        "Callback",
        "Rounds of Tuesday 23 March",
        "0 violations in 2 plans",
    ):
        assert words in " ".join(printed.split())
    answer = re.search(r"is there (today|on \w+ \d+ \w+) at (\d\d:\d\d), (within|after)", printed)
    assert answer is not None
    assert answer[3] == "within"


def test_portals_of_the_demo_are_told_a_number(database: Database) -> None:
    with database.read() as session:
        assert booking_rules(session).telephone.startswith("+33 5 36 49 ")


def test_every_plan_of_the_demo_keeps_every_rule(database: Database) -> None:
    with database.read() as session:
        plans = session.exec(select(PlanRow)).all()
    assert len(plans) == 2
    for row in plans:
        assert row.problem is not None
        assert check(unpack_problem(row.problem), plan_from_json(row.solution)) == ()


def test_no_two_technicians_of_the_demo_meet_at_a_site_whatever_is_tried(
    demo: tuple[Path, str], tmp_path: Path
) -> None:
    """Not in the plan with its callback, and not after anybody has been moved onto anybody else."""
    shutil.copy(demo[0] / "steamround.sqlite", tmp_path)
    database = Database(f"sqlite:///{tmp_path / 'steamround.sqlite'}")
    catalogue = load_catalogue()
    now = datetime(2027, 3, 22, 9, 40, tzinfo=PARIS)

    def there() -> tuple[Presence, ...]:
        with database.read() as session:
            return presences(session, start=now, end=now + timedelta(days=30), now=now)

    with database.read() as session:
        people = {row.id: set(row.skills) for row in session.exec(select(TechnicianRow))}
        skills = {row.id: set(row.skills) for row in session.exec(select(VisitRow))}
    planned = there()
    sites = {presence.site for presence in planned}
    assert meetings(planned) == ()
    assert len(planned) > len(sites) > 50  # some sites see somebody more than once
    refused = 0
    for one, other in permutations(planned, 2):
        if one.site != other.site or min(one.span.start, other.span.start) < now:
            continue
        for person in people.keys() - {other.technician}:
            if skills[one.visit] <= people[person]:
                with suppress(DoubleBooking), pytest.raises(SiteTaken):
                    move_by_hand(
                        database, one.id, person, other.span.start, catalogue,
                        now=now, origin=Origin(actor="tester"),
                    )  # fmt: skip
                refused += 1
    assert refused > 20
    assert there() == planned
    database.close()


def test_the_demo_leaves_calendars_and_a_picture_that_need_no_network(
    demo: tuple[Path, str],
) -> None:
    folder, _ = demo
    calendars = list((folder / "calendars").glob("*.ics"))
    picture = (folder / "rounds.html").read_text(encoding="utf-8")
    assert len(calendars) >= 6
    assert "<svg" in picture
    assert "http://" not in picture
    assert "https://" not in picture


def test_a_second_demo_replaces_the_first_and_nothing_else(demo: tuple[Path, str]) -> None:
    folder, _ = demo
    for kept in ("thesis.txt", "calendars/notes.txt"):
        assert (folder / kept).read_text() == "three years of work"
    assert not (folder / "calendars" / "of-a-leaver.ics").exists()


@pytest.mark.parametrize("file", ["thesis.txt", "steamround.sqlite"])
def test_a_folder_that_no_demo_made_is_left_alone(tmp_path: Path, file: str) -> None:
    (tmp_path / file).write_text("three years of work")
    done = steamround("demo", "--folder", ".", "--iterations", "1", folder=tmp_path)
    assert done.returncode == 2
    assert "holds something that is no demo" in " ".join(done.stderr.split())
    assert [(path.name, path.read_text()) for path in tmp_path.iterdir()] == [
        (file, "three years of work")
    ]


def test_the_demo_never_touches_the_database_of_the_environment(demo: tuple[Path, str]) -> None:
    folder, _ = demo
    assert not (folder.parent / "real.sqlite").exists()
    assert (folder / "steamround.sqlite").exists()


def test_a_company_is_not_loaded_over_a_demo(demo: tuple[Path, str]) -> None:
    folder, _ = demo
    done = steamround("seed", "--data-folder", str(folder), folder=folder.parent)
    assert done.returncode == 2
    assert "holds a demo" in " ".join(done.stderr.split())


@contextmanager
def served(folder: Path, *options: str) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """Serve a data folder; yield its address and the process."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with subprocess.Popen(
        [STEAMROUND, "serve", "--port", str(port), "--data-folder", str(folder), *options],
        env=environment(folder),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    ) as server:
        address = f"http://127.0.0.1:{port}"
        for _ in range(300):
            try:
                if httpx.get(f"{address}/readyz").status_code == 200:
                    break
            except httpx.TransportError:
                time.sleep(0.1)
        try:
            yield address, server
        finally:
            server.terminate()


@pytest.fixture
def address(demo: tuple[Path, str]) -> Iterator[str]:
    """Serve the demo without a clock and return its address."""
    with served(demo[0], "--no-clock") as (address, _):
        yield address


def due_work(database: Database) -> set[tuple[str, str, str]]:
    with database.read() as session:
        tasks = session.exec(select(DueTaskRow).where(col(DueTaskRow.state) == "open")).all()
        return {(task.id, f"{task.target}", task.because) for task in tasks}


def dispatchers_examples(address: str) -> list[str]:
    """Return the commands of the README's chapter for dispatchers, for a server there."""
    readme = (Path(__file__).parents[3] / "README.md").read_text(encoding="utf-8")
    chapter = readme.partition("## For the dispatcher\n")[2].partition("\n## ")[0]
    examples = re.findall(r" {3}```bash\n(.*?) {3}```", chapter, re.S)
    # not the twenty seconds of the example: a test has not got them
    return [
        each.replace("http://127.0.0.1:8000", address).replace('"seconds": 20', '"iterations": 50')
        for each in examples
    ]


def answer_to(example: str, **variables: str) -> Any:
    done = subprocess.run(
        ["bash", "-c", example],
        env={"PATH": os.environ["PATH"]} | variables,
        capture_output=True,
        check=True,
    )
    return json.loads(done.stdout)


@pytest.mark.skipif(shutil.which("curl") is None, reason="the README's examples call curl")
def test_a_served_demo_does_what_the_readme_says_on_its_own_day_and_stops_at_once(
    demo: tuple[Path, str], tmp_path: Path
) -> None:
    folder = tmp_path / "served"
    shutil.copytree(demo[0], folder)
    entrances = (folder / "entrances.txt").read_text(encoding="utf-8")
    key = re.search(r"srk_\S+", entrances)
    assert key is not None
    database = Database(f"sqlite:///{folder / 'steamround.sqlite'}")
    due_before = due_work(database)

    with served(folder) as (address, server):
        look_at_due_work, ask, read, publish, promise = dispatchers_examples(address)
        http = httpx.Client(base_url=address, headers={"Authorization": f"Bearer {key[0]}"})
        due = answer_to(look_at_due_work, KEY=key[0])
        plan = answer_to(ask, KEY=key[0])
        deadline = time.monotonic() + 120
        while plan["state"] in ("queued", "solving") and time.monotonic() < deadline:
            time.sleep(0.2)
            plan = http.get(f"/v1/plans/{plan['id']}").raise_for_status().json()
        changes = answer_to(read, KEY=key[0], PLAN=plan["id"])
        published = answer_to(publish, KEY=key[0], PLAN=plan["id"])
        planned = http.get("/v1/appointments", params={"state": "planned"}).json()["items"]
        at_first = next(each for each in planned if each["version"] == 1)
        promised = answer_to(promise, KEY=key[0], APPOINTMENT=at_first["id"])
        while time.monotonic() < deadline:
            with database.read() as session:
                drafting = session.exec(
                    select(ClockClaimRow).where(ClockClaimRow.job == "draft tomorrow's plan")
                ).first()
            if drafting is not None and drafting.finished_at is not None:
                break
            time.sleep(0.2)
        told_to_stop = time.monotonic()
        server.send_signal(signal.SIGTERM)
        printed, _ = server.communicate(timeout=60)
        took_seconds = time.monotonic() - told_to_stop
        http.close()

    with database.read() as session:
        nights = {row.slot.date() for row in session.exec(select(ClockClaimRow))}
        drafts = session.exec(select(PlanRow).where(PlanRow.requested_by == "clock")).all()
    due_after = due_work(database)
    database.close()
    assert len(due["items"]) == 5
    assert (plan["state"], plan["failure"], plan["first_day"]) == ("draft", None, "2027-03-23")
    assert len(changes["items"]) > 0
    assert published == changes
    assert (promised["id"], promised["state"]) == (at_first["id"], "promised")
    assert "It is Monday 22 March 2027, 09:4" in printed
    assert "Traceback" not in printed
    assert due_after == due_before
    # 00:05 in Paris is 23:05 UTC of the day before
    assert nights == {date(2027, 3, 21), date(2027, 3, 22)}
    assert [(row.first_day, row.state) for row in drafts] == [(date(2027, 3, 23), "queued")]
    assert took_seconds < 10  # the night's draft would have been thought about for twenty


def test_a_plan_from_the_command_line_is_published_on_the_demos_day_after_it_is_made(
    demo: tuple[Path, str], tmp_path: Path
) -> None:
    folder = tmp_path / "planned"
    shutil.copytree(demo[0], folder)

    done = steamround(
        "plan", "--seconds", "2.5", "--publish", "--data-folder", str(folder), folder=tmp_path
    )

    assert done.returncode == 0, done.stderr
    database = Database(f"sqlite:///{folder / 'steamround.sqlite'}")
    with database.read() as session:
        row = session.exec(select(PlanRow).order_by(col(PlanRow.requested_at).desc())).first()
    database.close()
    assert row is not None
    assert (row.state, row.first_day) == ("published", date(2027, 3, 23))
    assert row.published_at is not None
    assert row.finished_at is not None
    assert row.published_at >= row.finished_at > row.requested_at
    assert row.published_at.astimezone(PARIS).date() == date(2027, 3, 22)


def test_vdirsyncer_and_khal_show_the_demo_at_local_times_on_both_sides_of_the_clock_change(
    demo: tuple[Path, str], database: Database, address: str, tmp_path: Path
) -> None:
    with database.read() as session:
        rows = session.exec(
            select(AppointmentRow, TechnicianRow)
            .join(TechnicianRow, col(TechnicianRow.id) == col(AppointmentRow.technician_id))
            .where(col(AppointmentRow.state) == "planned")
        ).all()
    change = datetime(2027, 3, 28, 2, tzinfo=PARIS)
    by_name: dict[str, list[AppointmentRow]] = {}
    for row, person in rows:
        by_name.setdefault(person.name, []).append(row)
    name, mine = next(
        (name, mine)
        for name, mine in sorted(by_name.items())
        if min(row.starts_at for row in mine) < change < max(row.starts_at for row in mine)
    )
    entrances = (demo[0] / "entrances.txt").read_text(encoding="utf-8")
    path = re.search(rf"Calendar of {name}: \S+?(/feeds/\S+)", entrances)
    assert path is not None

    client = CalendarClient(tmp_path / "client", address + path[1], "Europe/Paris")
    client.sync()

    # Before the change 08:00 in Paris is 07:00 UTC, after it 06:00 UTC: zoneinfo says which.
    expected = sorted(
        f"{row.starts_at.astimezone(PARIS):%Y-%m-%d %H:%M} {row.ends_at.astimezone(PARIS):%H:%M}"
        for row in mine
    )
    shown = [
        line[: len("2027-03-22 08:00 09:00")]
        for line in client.listing("2027-03-20", 40)
        if " CONFIRMED " in line
    ]
    assert sorted(shown) == expected
    offsets = {row.starts_at.astimezone(PARIS).utcoffset() for row in mine}
    assert offsets == {timedelta(hours=1), timedelta(hours=2)}

    # the demo was made for another port: what its calendars lead to follows the server
    body = httpx.get(address + path[1]).content.replace(b"\r\n ", b"").decode()
    worksheets = re.findall(r"^URL:(\S+)\r$", body, re.M)
    assert len(worksheets) == len(mine)
    page = httpx.get(worksheets[0])
    assert (page.status_code, worksheets[0].startswith(f"{address}/w/")) == (200, True)
    assert "Order of work" in page.text
    made = steamround(
        "feed", "link", "te-1", "--device", "tablet", "--data-folder", str(demo[0]),
        folder=tmp_path,
    )  # fmt: skip
    assert made.stdout.splitlines()[-1].startswith(f"{address}/feeds/srf_")
