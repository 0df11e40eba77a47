"""Clients that want the same times at once, and what must be true whatever they do.

A client is a process of its own with the whole application in it, several of them share one
database: `python -m tests.api.actions.contention URL KEY SEED ATTEMPTS HELD_OPEN_MS EVERY_MS
[RETRY]`. It begins an attempt every so many milliseconds, late ones at once, and
writes a line of JSON before every request that changes something (what it wants, and under which
key) and another after the reply (what it was told). Whoever started it may kill it at any moment;
RETRY is then the last wish it had written down, and the next client begins by repeating it.
"""

import json
import random
import sys
import time
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any

from fastapi.testclient import TestClient
from sqlalchemy import event
from sqlmodel import col, select

from api.actions.keys import create_key
from api.actions.offering import ask
from api.auth import Role
from api.http.app import create_app
from api.storage.audit import Origin
from api.storage.database import Database
from api.storage.open_work import LIVE
from api.storage.tables import AppointmentRow, HoldRow, SiteRow, TechnicianRow, VisitRow
from scheduler.offers import rounds_of
from scheduler.routing.timing import timetable
from scheduler.working_time import local_date
from seed_data.catalogue import load_catalogue
from tests.api.actions.conftest import ALL_SKILLS, NOW, TODAY, ZONE, fill

DAYS = 2  # so few that everybody wants the same hours
VISITS = 400
_GIVEN_UP_SHARE = 0.4
_MOVED_SHARE = 0.2
_REPEATED_SHARE = 0.05


def lay_out(database: Database, technicians: int = 4, visits: int = VISITS) -> str:
    """Store a small company with much to do; return a dispatcher's key."""
    fill(database)
    rng = random.Random(3)
    with database.write() as session:
        for number in range(3, technicians + 1):
            session.add(
                TechnicianRow(
                    id=f"te-{number}", name=f"Technician {number}", zone=ZONE, skills=ALL_SKILLS,
                    lat=rng.uniform(44.8, 44.9), lon=rng.uniform(-0.6, -0.5),
                    working_hours="Mo-Fr 08:00-16:30", holiday_country="FR", break_minutes=30,
                )
            )  # fmt: skip
        for number in range(3, 13):
            session.add(
                SiteRow(
                    id=f"si-{number}", client_id="cl-1", contract_id="ct-1", name=f"Café {number}",
                    kind="bar", address="rue", town="Bordeaux", zone=ZONE,
                    lat=rng.uniform(44.8, 44.9), lon=rng.uniform(-0.6, -0.5),
                    opening_hours="Mo-Sa 07:00-20:00", access_hours="Mo-Fr 08:00-17:00",
                    quiet_hours="Mo-Fr 08:00-13:00",
                )
            )  # fmt: skip
        for number in range(visits):
            session.add(
                VisitRow(
                    id=f"v{number}", site_id=f"si-{number % 12 + 1}", kind="upkeep",
                    window="access", minutes=rng.choice((30, 45, 60)), skills=["espresso"],
                    earliest=TODAY, target=TODAY, latest=TODAY + timedelta(days=20),
                    headlines=["Gaskets"],
                    worksheet={
                        "steps": [], "minutes": 60, "minutes_p80": 60, "machine_back_minutes": {},
                        "needs_off": False, "skills": [], "parts": {}, "tools": [], "cautions": [],
                        "because": "",
                    },
                )
            )  # fmt: skip
    _, key = create_key(
        database, name="contention", role=Role.DISPATCHER, now=NOW, origin=Origin(actor="test")
    )
    return key


class Client:
    """Holds, books, moves and cancels at random, and says so on its output."""

    def __init__(self, url: str, key: str, seed: int, held_open_seconds: float) -> None:
        self._database = Database(url)
        # a transaction stays open for a while before it is committed, as on a busy machine
        event.listen(
            self._database._write_engine,
            "commit",
            lambda _: time.sleep(self._rng.uniform(0, 2 * held_open_seconds)),
        )
        app = create_app(
            self._database,
            load_catalogue(),
            public_url="https://plan.example.org",
            tell_time=lambda: NOW,
        )
        self._http = TestClient(
            app, headers={"Authorization": f"Bearer {key}"}, raise_server_exceptions=False
        )
        self._http.__enter__()  # one event loop for all requests
        self._rng = random.Random(seed)
        self._seed, self._wishes = seed, 0
        self._mine: list[str] = []
        self._unanswered = False  # the last request was met by a 503

    def look_around(self) -> None:
        """Ask for what a new process has to make ready first, before anything is timed."""
        self._http.get("/v1/visits/v0/offers")
        self._http.get("/v1/appointments?limit=1")

    def close(self) -> None:
        """Let go of the database; who is killed does without."""
        self._http.__exit__(None, None, None)
        self._database.close()

    def attempt(self) -> None:
        """Hold a time that others want, book it, perhaps move; with no room left give one up."""
        visit = f"v{self._rng.randrange(VISITS)}"
        held = self._hold(visit)
        if held is None:
            self._cancel_one()  # there is little room left
            return
        booked = self._post("/v1/bookings", {"hold_id": held["id"]})
        if booked is None:
            self._release(held)
            return
        if self._rng.random() < _MOVED_SHARE and (other := self._hold(visit)) is not None:
            path = f"/v1/appointments/{booked['id']}/time"
            moved = self._put(path, booked["version"], {"hold_id": other["id"]})
            if moved is None:
                self._release(other)
            booked = moved or booked
        self._mine.append(booked["id"])

    def _cancel_one(self) -> None:
        if self._mine and self._rng.random() < _GIVEN_UP_SHARE:
            name = self._mine.pop(self._rng.randrange(len(self._mine)))
            version = self._http.get(f"/v1/appointments/{name}").json()["version"]
            self._put(f"/v1/appointments/{name}/cancellation", version)

    def repeat(self, wish: dict[str, Any]) -> dict[str, Any] | None:
        """Send a request again whose reply was lost; its key keeps it from being done twice."""
        return self._send(wish, again=True) if "key" in wish else None

    def _release(self, held: dict[str, Any]) -> None:
        self._send({"method": "POST", "path": f"/v1/holds/{held['id']}/release", "body": None})

    def _hold(self, visit: str) -> dict[str, Any] | None:
        day = self._rng.randrange(DAYS)
        start = datetime(2027, 3, 22, 8, tzinfo=UTC) + timedelta(
            days=day, minutes=30 * self._rng.randrange(14)
        )
        return self._post("/v1/holds", {"visit_id": visit, "arrive_from": start.isoformat()})

    def _post(self, path: str, body: dict[str, str]) -> dict[str, Any] | None:
        self._wishes += 1
        key = f"{self._seed}-{self._wishes}-{self._rng.randrange(1 << 40)}"
        wish = {"method": "POST", "path": path, "body": body, "key": key}
        told = self._send(wish)
        if self._unanswered:
            told = self.repeat(wish)  # nobody knows what became of it: the key does
        if told is not None and self._rng.random() < _REPEATED_SHARE:
            repeated = self.repeat(wish)
            if repeated != told and not self._unanswered:
                say({"broken": "a repeated request had another reply", "to": wish})
        return told

    def _put(
        self, path: str, version: int, body: dict[str, str] | None = None
    ) -> dict[str, Any] | None:
        return self._send({"method": "PUT", "path": path, "body": body, "version": version})

    def _send(self, wish: dict[str, Any], *, again: bool = False) -> dict[str, Any] | None:
        say({"wish": wish, "again": again})
        headers = {"Idempotency-Key": wish["key"]} if "key" in wish else {}
        if "version" in wish:
            headers["If-Match"] = f'"v{wish["version"]}"'
        began = time.perf_counter()
        reply = self._http.request(wish["method"], wish["path"], json=wish["body"], headers=headers)
        seconds = time.perf_counter() - began
        document = reply.json()
        told = document if reply.status_code < 400 else None
        self._unanswered = reply.status_code == 503
        if self._unanswered and "version" in wish:
            say({"unsure": wish["path"].split("/")[3]})
        say({"status": reply.status_code, "seconds": seconds, "path": wish["path"], "told": told})
        return told


def say(line: dict[str, Any]) -> None:
    print(json.dumps(line), flush=True)


@dataclass
class Ledger:
    """What all clients were told, from their outputs.

    ``unsure`` are appointments changed by a request that had no reply and no key: whether the
    change was made nobody knows. What was asked under a key is known once it is repeated.
    """

    statuses: Counter[int] = field(default_factory=Counter)
    seconds: list[float] = field(default_factory=list)
    booking_seconds: list[float] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)
    state_told: dict[str, str] = field(default_factory=dict)
    unsure: set[str] = field(default_factory=set)
    bookings: int = 0
    repeated: int = 0
    attempts: int = 0

    def read(self, lines: list[str]) -> dict[str, Any] | None:
        """Take in a client's output; return its last wish if no reply to it was written down."""
        open_wish: dict[str, Any] | None = None
        for text in lines:
            if not text.endswith("\n"):
                continue  # killed in the middle of a line
            line = json.loads(text)
            if "wish" in line:
                open_wish = line["wish"]
                self.repeated += line["again"]
            elif "broken" in line:
                self.broken.append(text)
            elif "attempted" in line:
                self.attempts += 1
            elif "unsure" in line:
                self.unsure.add(line["unsure"])
            else:
                open_wish = None
                self._told(line)
        if open_wish is not None and "version" in open_wish:
            self.unsure.add(open_wish["path"].split("/")[3])
        return open_wish

    def _told(self, line: dict[str, Any]) -> None:
        self.statuses[line["status"]] += 1
        self.seconds.append(line["seconds"])
        if line["path"] == "/v1/bookings":
            self.booking_seconds.append(line["seconds"])
        told = line["told"]
        if told is not None and "sequence" in told:
            self.bookings += line["path"] == "/v1/bookings"
            known = self.state_told.get(told["id"])
            self.state_told[told["id"]] = "cancelled" if known == "cancelled" else told["state"]

    @property
    def errors(self) -> int:
        """Replies that say it was our fault."""
        return sum(count for status, count in self.statuses.items() if status >= 500)


def lost(database: Database, ledger: Ledger) -> list[str]:
    """Return the appointments that are not what clients were told."""
    with database.read() as session:
        states = dict(session.exec(select(AppointmentRow.id, AppointmentRow.state)).all())
    return [
        f"{name}: told {told}, is {states.get(name)}"
        for name, told in ledger.state_told.items()
        if states.get(name) != told and name not in ledger.unsure
    ]


def double_bookings(database: Database, now: datetime = NOW) -> list[str]:
    """Return the pairs of appointments and live holds that one technician cannot both keep."""
    taken: dict[str, list[tuple[datetime, datetime, str, str]]] = {}
    with database.read() as session:
        appointments = session.exec(
            select(AppointmentRow).where(col(AppointmentRow.state).in_(LIVE))
        )
        holds = session.exec(
            select(HoldRow).where(HoldRow.state == "held", HoldRow.expires_at > now)
        )
        for row in (*appointments, *holds):
            times = taken.setdefault(row.technician_id, [])
            times.append((row.starts_at, row.ends_at, row.id, row.visit_id))
    return [
        f"{one[2]} and {other[2]}"
        for times in taken.values()
        for one, other in pairwise(sorted(times))
        if other[0] < one[1] and one[3] != other[3]
    ]


def two_at_one_site(database: Database, now: datetime = NOW) -> list[str]:
    """Return the sites to which two technicians go on one day; all work in the same hours here."""
    goes: dict[tuple[str, date], set[str]] = {}
    with database.read() as session:
        for table, conditions in (
            (AppointmentRow, (col(AppointmentRow.state).in_(LIVE),)),
            (HoldRow, (HoldRow.state == "held", HoldRow.expires_at > now)),
        ):
            for site, who, at in session.exec(
                select(VisitRow.site_id, col(table.technician_id), col(table.starts_at))
                .join(table, col(table.visit_id) == col(VisitRow.id))
                .where(*conditions)
            ):
                goes.setdefault((site, local_date(at, ZONE)), set()).add(who)
    return [f"{site} on {day}: {sorted(who)}" for (site, day), who in goes.items() if len(who) > 1]


def visits_booked_twice(database: Database) -> list[str]:
    """Return the visits that have more than one live appointment."""
    with database.read() as session:
        live = select(AppointmentRow.visit_id).where(col(AppointmentRow.state).in_(LIVE))
        count = Counter(session.exec(live))
    return [visit for visit, number in count.items() if number > 1]


def rounds_too_tight(database: Database, now: datetime = NOW) -> list[str]:
    """Return the technician-days that cannot be driven as they are booked, break included."""
    with database.read() as session:
        people = session.exec(select(TechnicianRow.id)).all()
        starts = session.exec(
            select(AppointmentRow.technician_id, AppointmentRow.starts_at).where(
                col(AppointmentRow.state).in_(LIVE)
            )
        ).all()
        anything = VisitRow(
            id="none", site_id="si-1", kind="upkeep", window="access", minutes=1, skills=[],
            earliest=TODAY, target=TODAY, latest=TODAY, headlines=[], worksheet={},
        )  # fmt: skip
        days = {(who, local_date(at, ZONE)) for who, at in starts}
        return [
            f"{who} on {day}"
            for who, day in sorted(days)
            if who in people and not _drivable(session, anything, who, day, now)
        ]


def _drivable(session: Any, anything: VisitRow, who: str, day: date, now: datetime) -> bool:
    question = ask(session, anything, now=now, technicians=(who,), day=day).question
    problem, rounds = question.problem, rounds_of(question.problem, question.plan)
    booked = [
        [problem.visits[at] for at in each.order if not problem.visits[at].id.startswith("hold/")]
        for each in rounds  # a visit may hold a time to move to, close to the one it has
    ]
    return all(
        timetable(problem, shift, visits) is not None
        for shift, visits in zip(problem.shifts, booked, strict=True)
        if visits
    )


def broken_rules(database: Database, ledger: Ledger) -> dict[str, list[str]]:
    """Return everything that must not be, by the name of the rule; empty when all is well."""
    found = {
        "lost": lost(database, ledger),
        "double bookings": double_bookings(database),
        "visits booked twice": visits_booked_twice(database),
        "two at one site": two_at_one_site(database),
        "rounds too tight": rounds_too_tight(database),
        "repeated differently": ledger.broken,
    }
    return {name: cases for name, cases in found.items() if cases}


def work(
    url: str,
    key: str,
    seed: int,
    attempts: int,
    held_open_ms: int,
    every_ms: int,
    retry: dict[str, Any] | None,
) -> None:
    """Be a client until the attempts are made."""
    client = Client(url, key, seed, held_open_ms / 1000)
    client.look_around()
    if retry is not None:
        client.repeat(retry)
    begin_at = time.monotonic() + random.Random(seed).uniform(0, every_ms / 1000)
    for _ in range(attempts):
        time.sleep(max(begin_at - time.monotonic(), 0))
        begin_at += every_ms / 1000
        client.attempt()
        say({"attempted": 1})
    client.close()


def main(url: str, key: str, *numbers: str) -> None:
    seed, attempts, held_open_ms, every_ms = map(int, numbers[:4])
    retry = json.loads(numbers[4]) if len(numbers) > 4 else None
    work(url, key, seed, attempts, held_open_ms, every_ms, retry)


if __name__ == "__main__":
    main(*sys.argv[1:])
