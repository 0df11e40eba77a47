"""Writes calendars anew whenever something they show has changed.

Called inside the transaction that changes an appointment, so that the next fetch sees it and a
visit that changes hands is never in both technicians' calendars or in neither.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, assert_never, cast

from sqlmodel import Session, col, select

from api.actions.briefs import Briefs, tombstone
from api.actions.worksheet_addresses import worksheet_addresses
from api.feeds.delivery import store_form
from api.feeds.events import FeedEvent, events_in, render_calendar
from api.feeds.phrases import PHRASES, Language
from api.feeds.shelf import stored_feed
from api.feeds.stamps import with_stamps
from api.feeds.window import COMING_DAYS, PAST_DAYS, day_start, within_window
from api.feeds.wording import (
    AppointmentBrief,
    busy_event,
    company_event,
    event_uid,
    site_event,
    technician_event,
)
from api.storage.database import Database
from api.storage.public_address import keep_public_address
from api.storage.snapshots import company
from api.storage.tables import (
    AppointmentRow,
    FeedDocumentRow,
    FeedKind,
    HandOverRow,
    SiteRow,
    TechnicianRow,
    VisitRow,
)
from api.storage.touched import touched_appointments
from scheduler.catalogue import Catalogue

CALENDAR_DOMAIN = "steamround.invalid"
"""Ends every UID. It never changes, so that a moved installation does not double its events."""

THE_COMPANY = "1"
"""The subject of the one calendar that shows every technician's work."""


@dataclass(frozen=True, slots=True, order=True)
class Feed:
    """One calendar: what it shows, and of whom or of which site."""

    kind: FeedKind
    subject: str


def refresh_calendars(
    session: Session,
    technicians: Iterable[str],
    catalogue: Catalogue,
    *,
    sites: Iterable[str] = (),
    whole: bool = False,
    now: datetime,
) -> None:
    """Write the calendars in which a change to these technicians' appointments can show.

    Their own and their partners', those of the sites they go to, the dispatcher's. Technicians'
    own calendars always stand ready; the others are kept from their first link on.

    Parameters
    ----------
    sites
        Further sites of which something has changed.
    whole
        Whether more has changed than appointments and their visits: a name, say, that stands in
        many events. Otherwise the events of what this transaction has touched are written anew and
        all others stay as they are.
    """
    touched = None if whole else touched_appointments(session)
    session.flush()
    technicians, sites = sorted(set(technicians)), sorted(set(sites))
    if not technicians and not sites:
        return
    kind, subject = col(FeedDocumentRow.kind), col(FeedDocumentRow.subject)
    visited = (
        select(VisitRow.id)
        .join(AppointmentRow, col(AppointmentRow.visit_id) == col(VisitRow.id))
        .where(VisitRow.site_id == subject)
    )
    if touched is None:
        visited = visited.where(col(AppointmentRow.technician_id).in_(technicians))
    else:
        visited = visited.where(col(AppointmentRow.id).in_(touched))
    kept = session.exec(
        select(FeedDocumentRow.kind, FeedDocumentRow.subject).where(
            ((kind == FeedKind.BUSY) & subject.in_(technicians))
            | ((kind == FeedKind.SITE) & (visited.exists() | subject.in_(sites)))
            | (kind == FeedKind.COMPANY)
        )
    )
    feeds = {Feed(FeedKind(kind), subject) for kind, subject in kept}
    feeds |= {Feed(FeedKind.TECHNICIAN, technician) for technician in technicians}
    for feed in sorted(feeds):
        write_calendar(session, feed, catalogue, touched=touched, now=now)


def refresh_all_calendars(database: Database, catalogue: Catalogue, now: datetime) -> None:
    """Turn every calendar to a new day: old appointments leave its window, new ones enter."""
    with database.read() as session:
        kept = session.exec(select(FeedDocumentRow.kind, FeedDocumentRow.subject)).all()
        people = session.exec(select(TechnicianRow.id)).all()
    feeds = {Feed(FeedKind(kind), subject) for kind, subject in kept}
    feeds |= {Feed(FeedKind.TECHNICIAN, technician) for technician in people}
    for feed in sorted(feeds):
        with database.write() as session:
            write_calendar(session, feed, catalogue, now=now)


def write_calendar(
    session: Session,
    feed: Feed,
    catalogue: Catalogue,
    *,
    touched: Collection[str] | None = None,
    now: datetime,
) -> None:
    """Write one calendar and keep its bytes, if they have changed.

    Parameters
    ----------
    touched
        The appointments in which something has changed since it was last written; None: look at
        all of them. All are looked at in any case on a new day, which moves the window.
    """
    who = _who(session, feed)
    today = day_start(now, who.zone)
    # locked before the appointments are read: who writes the same calendar next reads these changes
    row = session.get(FeedDocumentRow, (feed.kind, feed.subject), with_for_update=True)
    if row is None or day_start(row.written_at, who.zone) != today:
        touched = None
    before = {} if row is None else events_in(row.body)
    gathering = _Gathering(session, catalogue, now, today, touched)
    events = within_window(gathering.events(feed, who), day_start=today)
    events = with_stamps(events, before, day_start=today, now=now)
    others = {} if touched is None else _without(before, touched)
    body = render_calendar(who.title, events, who.zone, day_start=today, kept=others)
    previous = None if row is None else stored_feed(row)
    written = store_form(body, now=now, previous=previous)
    if row is None:
        row = FeedDocumentRow(
            kind=feed.kind,
            subject=feed.subject,
            name=who.name,
            body=written.body,
            body_gzip=written.gzip_body,
            etag=written.etag,
            changed_at=written.modified,
            written_at=now,
        )
    elif written is not previous:
        row.body, row.body_gzip = written.body, written.gzip_body
        row.etag, row.changed_at = written.etag, written.modified
    row.name, row.written_at = who.name, now
    session.add(row)


def _without(events: Mapping[str, bytes], appointments: Iterable[str]) -> dict[str, bytes]:
    gone = {event_uid(each, CALENDAR_DOMAIN) for each in appointments}
    return {uid: octets for uid, octets in events.items() if uid not in gone}


def move_calendars(database: Database, url: str, catalogue: Catalogue, *, now: datetime) -> None:
    """Let the addresses in calendars begin with ``url``, where the world reaches the server now."""
    with database.write() as session:
        database.lock_calendar(session)  # several servers may start at once
        if not keep_public_address(session, url):
            return
        kept = session.exec(
            select(FeedDocumentRow.subject).where(FeedDocumentRow.kind == FeedKind.TECHNICIAN)
        ).all()
        for technician in sorted(kept):
            write_calendar(session, Feed(FeedKind.TECHNICIAN, technician), catalogue, now=now)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Who:
    """Whose calendar it is, what its title says, in which zone its days begin, how it is worded."""

    name: str
    title: str
    zone: str
    language: Language
    short: bool = False


def _who(session: Session, feed: Feed) -> _Who:
    match feed.kind:
        case FeedKind.TECHNICIAN | FeedKind.BUSY:
            person = session.get_one(TechnicianRow, feed.subject)
            language = cast(Language, person.language)
            words = PHRASES[language]
            is_own = feed.kind is FeedKind.TECHNICIAN
            return _Who(
                name=person.name,
                title=(words.rounds_of if is_own else words.at_work_title).format(name=person.name),
                zone=person.zone,
                language=language,
                short=person.calendar_text == "short",
            )
        case FeedKind.SITE:
            site = session.get_one(SiteRow, feed.subject)
            language = cast(Language, site.language)
            title = PHRASES[language].site_title.format(name=site.name)
            return _Who(name=site.name, title=title, zone=site.zone, language=language)
        case FeedKind.COMPANY:
            row = company(session)
            language = cast(Language, row.language)
            title = PHRASES[language].company_title.format(name=row.name)
            return _Who(name=row.name, title=title, zone=row.zone, language=language)
        case _:
            assert_never(feed.kind)


@dataclass(frozen=True, slots=True)
class _Gathering:
    """Finds what a calendar shows, from a while ago until a while ahead of a day.

    Of the appointments in ``only``, where it is given.
    """

    session: Session
    catalogue: Catalogue
    now: datetime
    today: datetime
    only: Collection[str] | None

    def events(self, feed: Feed, who: _Who) -> list[FeedEvent]:
        match feed.kind:
            case FeedKind.TECHNICIAN:
                address = worksheet_addresses(self.session, feed.subject, now=self.now)
                own = [
                    replace(each, short=who.short, worksheet_url=address(each.appointment_id))
                    for each in self._of_technician(feed.subject, who, with_work=True)
                ]
                return [technician_event(brief, domain=CALENDAR_DOMAIN) for brief in own]
            case FeedKind.BUSY:
                briefs = self._of_technician(feed.subject, who, with_work=False)
                # in the zone of the technician: another one would tell where the site is
                at_home = [replace(each, zone=who.zone) for each in briefs]
                return [busy_event(brief, domain=CALENDAR_DOMAIN) for brief in at_home]
            case FeedKind.SITE:
                visits = select(VisitRow.id).where(VisitRow.site_id == feed.subject)
                rows = self._appointments(col(AppointmentRow.visit_id).in_(visits))
                briefs = self._briefs(rows, who, with_work=True)
                return [site_event(brief, domain=CALENDAR_DOMAIN) for brief in briefs]
            case FeedKind.COMPANY:
                briefs = self._briefs(self._appointments(), who, with_work=False)
                return [company_event(brief, domain=CALENDAR_DOMAIN) for brief in briefs]
            case _:
                assert_never(feed.kind)

    def _of_technician(
        self, technician: str, who: _Who, *, with_work: bool
    ) -> Iterable[AppointmentBrief]:
        """Yield the technician's appointments, and those handed over to somebody else."""
        mine = self._appointments(col(AppointmentRow.technician_id) == technician)
        handed_over = self.session.exec(
            select(HandOverRow)
            .where(HandOverRow.technician_id == technician, *self._within(HandOverRow))
            .where(*self._in_question(HandOverRow.appointment_id))
            .order_by(col(HandOverRow.handed_over_at), col(HandOverRow.sequence))
        )
        gone = {row.appointment_id: row for row in handed_over}  # the last one wins
        others = self.session.exec(
            select(AppointmentRow)
            .where(col(AppointmentRow.id).in_(gone))
            .where(AppointmentRow.technician_id != technician)  # it has not come back
        ).all()
        briefs = self._gathered([*mine, *others], who, with_work)
        yield from map(briefs.brief, mine)
        for row in others:
            yield tombstone(briefs.brief(row), gone[row.id])

    def _briefs(
        self, rows: Sequence[AppointmentRow], who: _Who, *, with_work: bool
    ) -> Iterable[AppointmentBrief]:
        return map(self._gathered(rows, who, with_work).brief, rows)

    def _gathered(self, rows: Sequence[AppointmentRow], who: _Who, with_work: bool) -> Briefs:
        return Briefs(
            self.session, rows, self.catalogue, with_work=with_work, language=who.language
        )

    def _appointments(self, *conditions: Any) -> Sequence[AppointmentRow]:
        return self.session.exec(
            select(AppointmentRow)
            .where(*conditions, *self._within(AppointmentRow))
            .where(*self._in_question(AppointmentRow.id))
            .execution_options(populate_existing=True)  # as others have left them meanwhile
        ).all()

    def _within(self, table: type[AppointmentRow] | type[HandOverRow]) -> tuple[Any, ...]:
        earliest = self.today - timedelta(days=PAST_DAYS)
        latest = self.today + timedelta(days=COMING_DAYS)
        return table.ends_at > earliest, table.starts_at < latest

    def _in_question(self, column: Any) -> tuple[Any, ...]:
        return () if self.only is None else (col(column).in_(self.only),)
