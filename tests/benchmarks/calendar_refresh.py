"""How long a transaction writes calendars, with a reader for every calendar there can be.

    python -m tests.benchmarks.calendar_refresh

The demo company with 2,000 appointments from two months ago to four months ahead, and links to the
calendars of its 8 technicians, their partners, its 160 sites and the dispatcher. Prints seconds of
the processor to
write them all from nothing, after moving 80 appointments as publishing a plan does, and after one.
"""

import tempfile
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

from sqlmodel import col, select

from api.actions.calendars import (
    THE_COMPANY,
    Feed,
    refresh_all_calendars,
    refresh_calendars,
)
from api.actions.feed_links import create_feed_link
from api.actions.load_company import load_company
from api.actions.raise_due_work import raise_due_work
from api.storage.audit import Origin
from api.storage.database import Database
from api.storage.tables import (
    AppointmentRow,
    FeedDocumentRow,
    FeedKind,
    SiteRow,
    TechnicianRow,
    VisitRow,
)
from api.storage.tables.access import OF_TECHNICIAN
from scheduler.working_time import instant_at
from seed_data.catalogue import load_catalogue
from seed_data.company import COMPANY_FOLDER, planning_day

APPOINTMENTS = 2_000
A_DAY = 2
ORIGIN = Origin(actor="benchmark")
CATALOGUE = load_catalogue()
NOW = instant_at(datetime.combine(planning_day(), datetime.min.time()), "Europe/Paris")


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        database = Database(f"sqlite:///{Path(folder) / 'steamround.sqlite'}")
        database.create_or_upgrade()
        load_company(database, COMPANY_FOLDER, CATALOGUE, now=NOW, origin=ORIGIN)
        raise_due_work(database, CATALOGUE, now=NOW, origin=ORIGIN)
        with database.read() as session:
            people = session.exec(select(TechnicianRow.id).order_by(TechnicianRow.id)).all()
            sites = session.exec(select(SiteRow.id)).all()
            visits = session.exec(select(VisitRow.id).order_by(VisitRow.id)).all()
        fill(database, list(people), list(visits))
        feeds = [Feed(FeedKind.COMPANY, THE_COMPANY)]
        feeds += [Feed(kind, person) for person in people for kind in OF_TECHNICIAN]
        feeds += [Feed(FeedKind.SITE, site) for site in sites]
        for feed in feeds:
            create_feed_link(database, feed, "benchmark", CATALOGUE, now=NOW, origin=ORIGIN)
        with database.read() as session:
            events = {
                (row.kind, row.subject): row.body.count(b"BEGIN:VEVENT")
                for row in session.exec(select(FeedDocumentRow))
            }
        print(
            f"{len(feeds)} calendars; {events[FeedKind.COMPANY, THE_COMPANY]} events in the "
            f"company's, {events[FeedKind.TECHNICIAN, people[0]]} in a technician's"
        )
        turned = timed(lambda: refresh_all_calendars(database, CATALOGUE, NOW))
        print(f"turning all to a new day, one transaction each: {turned:.2f} s")
        print(f"after moving 80 appointments of all technicians: {moved(database, 80):.2f} s")
        print(f"after moving one appointment: {moved(database, 1):.3f} s")
        database.close()


def fill(database: Database, people: list[str], visits: list[str]) -> None:
    """Give every technician a few appointments a day, two months back and four ahead."""
    with database.write() as session:
        for number in range(APPOINTMENTS):
            turn, person = divmod(number, len(people))
            day, hour = divmod(turn, A_DAY)
            start = NOW + timedelta(days=day - 55, hours=8 + 3 * hour)
            session.add(
                AppointmentRow(
                    id=f"ap-{number}",
                    visit_id=visits[number % len(visits)],
                    technician_id=people[person],
                    starts_at=start,
                    ends_at=start + timedelta(hours=2),
                    state="planned" if start > NOW else "done",
                    created_at=NOW,
                    revised_at=NOW,
                )
            )


def moved(database: Database, count: int) -> float:
    """Move some appointments by a quarter of an hour; return the seconds the calendars took."""
    later = NOW + timedelta(minutes=count)
    with database.write() as session:
        rows = session.exec(
            select(AppointmentRow)
            .where(AppointmentRow.state == "planned")
            .order_by(col(AppointmentRow.starts_at))
            .limit(count)
        ).all()
        for row in rows:
            row.starts_at += timedelta(minutes=15)
            row.ends_at += timedelta(minutes=15)
            row.sequence += 1
            row.revised_at = later
        people = {row.technician_id for row in rows}
        return timed(lambda: refresh_calendars(session, people, CATALOGUE, now=later))


def timed(work: Callable[[], None]) -> float:
    begin = time.process_time()
    work()
    return time.process_time() - begin


if __name__ == "__main__":
    main()
