"""The newcomer's command, run as a newcomer runs it, and what comes of it."""

import os
import re
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import pytest
from sqlmodel import col, select

from api.storage.database import Database
from api.storage.documents import unpack_problem
from api.storage.tables import AppointmentRow, PlanRow, TechnicianRow
from scheduler.routing.checker import check
from scheduler.routing.plan import plan_from_json
from tests.published.calendar_clients import CalendarClient

STEAMROUND = Path(sys.executable).parent / "steamround"
PARIS = ZoneInfo("Europe/Paris")
COMPILED = Path(tempfile.gettempdir()) / f"steamround-tests-{os.getuid()}"
"""Where the commands keep the compiled planner, which would take long to compile for each."""


def steamround(*arguments: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run a command with nothing of this process's environment but the path."""
    home, compiled = str(folder), str(COMPILED)
    return subprocess.run(
        [STEAMROUND, *arguments],
        env={"PATH": os.environ["PATH"], "HOME": home, "NUMBA_CACHE_DIR": compiled},
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
    done = steamround("demo", "--folder", "here", "--seconds", "2", folder=folder)
    assert done.returncode == 0, done.stderr + done.stdout
    return folder / "here", done.stdout


@pytest.fixture(scope="module")
def database(demo: tuple[Path, str]) -> Iterator[Database]:
    database = Database(f"sqlite:///{demo[0] / 'steamround.sqlite'}")
    yield database
    database.close()


def test_the_demo_prints_what_a_dispatcher_wants_to_see(demo: tuple[Path, str]) -> None:
    _, printed = demo
    for words in ("fall due", "Left out, dearest first", "Callback", "Rounds of Tuesday 23 March"):
        assert words in printed
    answer = re.search(r"is there (today|on \w+ \d+ \w+) at (\d\d:\d\d), (within|after)", printed)
    assert answer is not None
    assert answer[3] == "within"


def test_every_plan_of_the_demo_keeps_every_rule(database: Database) -> None:
    with database.read() as session:
        plans = session.exec(select(PlanRow)).all()
    assert len(plans) == 2
    for row in plans:
        assert row.problem is not None
        assert check(unpack_problem(row.problem), plan_from_json(row.solution)) == ()


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


def test_a_second_demo_replaces_the_first_but_nothing_else(tmp_path: Path) -> None:
    (tmp_path / "thesis.txt").write_text("three years of work")
    done = steamround("demo", "--folder", ".", "--seconds", "1", folder=tmp_path)
    assert done.returncode == 2
    assert "holds something that is no demo" in done.stderr
    assert (tmp_path / "thesis.txt").read_text() == "three years of work"


@pytest.fixture
def address(demo: tuple[Path, str]) -> Iterator[str]:
    """Serve the demo and return its address."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    folder, _ = demo
    server = subprocess.Popen(
        [STEAMROUND, "serve", "--port", str(port), "--no-clock", "--data-folder", str(folder)],
        env={"PATH": os.environ["PATH"], "HOME": str(folder)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    address = f"http://127.0.0.1:{port}"
    for _ in range(300):
        try:
            if httpx.get(f"{address}/readyz").status_code == 200:
                break
        except httpx.TransportError:
            time.sleep(0.1)
    yield address
    server.terminate()
    server.wait(30)


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
