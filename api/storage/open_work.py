"""What a plan has to place: open visits, movable appointments, promises, and who is busy now."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime

from sqlalchemy import select as select_columns
from sqlalchemy import update
from sqlmodel import Session, col, select

from api.storage.documents import off_span
from api.storage.presence import OVERRUN, presences
from api.storage.snapshots import sites_by_id
from api.storage.tables import AppointmentRow, PublicationRow, SiteRow, VisitRow
from scheduler.bundling import Window
from scheduler.company import Site, Technician, Urgency
from scheduler.intervals import Interval, IntervalSet
from scheduler.lifecycle import LIVE, AppointmentState
from scheduler.places import Coordinates
from scheduler.presence import Presence
from scheduler.routing.open_visits import Occupied, OffTime, OpenVisit, Standing, TakenTime
from scheduler.working_time import local_day

MOVABLE = frozenset({AppointmentState.PLANNED, AppointmentState.PROMISED})
ANY_TIME = "any"
"""A callback's window: somebody waits for it, so any hour when someone is there will do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenWork:
    """One consistent look at everything a plan decides about.

    ``names`` says for people where each visit is; ``taken`` is time that appointments outside this
    plan take up; ``revision`` is the published calendar's at the same moment.
    """

    visits: tuple[OpenVisit, ...]
    names: Mapping[str, str]
    occupied: tuple[Occupied, ...]
    taken: tuple[TakenTime, ...]
    revision: int


def publication(session: Session) -> PublicationRow:
    """Return the one row that counts the changes of the published calendar."""
    return session.get_one(PublicationRow, 1)


def bump_revision(session: Session, now: datetime) -> None:
    """Tell every draft that the calendar it was made from has changed.

    Counted by the database, so that no two changes count as one. The row is locked until the
    commit: do this last, after appointments and calendars, as everybody does, so that nobody waits
    for somebody who waits for them.
    """
    session.flush()
    session.exec(
        update(PublicationRow).values(revision=PublicationRow.revision + 1, changed_at=now)
    )


def open_work(
    session: Session,
    technicians: Sequence[Technician],
    *,
    now: datetime,
    days: Sequence[date],
    zone: str,
) -> OpenWork:
    """Load what can be planned on some local days, as it stands.

    Outside the plan, and left where they are, are appointments that have begun, that lie before the
    first day or after the last, and promises made for a time at which their technician neither
    works nor is away: somebody agreed to that by hand.
    """
    span = (local_day(days[0], zone) | local_day(days[-1], zone)).hull()
    assert span is not None, "a working day has a beginning and an end"
    start = max(now.astimezone(UTC), span.start)
    standing: dict[str, AppointmentRow] = {}
    taken: list[TakenTime] = []
    people = {person.id: person for person in technicians}
    for row in session.exec(
        select(AppointmentRow)
        .where(col(AppointmentRow.state).in_(MOVABLE))
        .where(AppointmentRow.starts_at >= start, AppointmentRow.starts_at < span.end)
    ):
        if _agreed_by_hand(row, people):
            taken.append(_taken_time(row))
        else:
            standing[row.visit_id] = row
    rows = session.exec(
        select(VisitRow)
        .where(
            ((col(VisitRow.state) == "open") & col(VisitRow.awaits_price).is_(False))
            | col(VisitRow.id).in_(standing)
        )
        .where((col(VisitRow.earliest) <= days[-1]) | col(VisitRow.id).in_(standing))
        .order_by(col(VisitRow.id))
    ).all()
    sites = sites_by_id(session, {row.site_id for row in rows}, from_day=days[0])
    others = [
        each
        for each in presences(session, start=start, end=span.end, now=now, with_holds=False)
        if each.visit not in standing
    ]
    hours = _Hours(sites, others, start=start, end=span.end)
    return OpenWork(
        visits=tuple(
            _open_visit(row, sites[row.site_id], hours, standing.get(row.id)) for row in rows
        ),
        names={row.id: f"the visit at {sites[row.site_id].name}" for row in rows},
        occupied=occupied(session, now=now, since=span.start),
        taken=tuple(taken),
        revision=publication(session).revision,
    )


def _agreed_by_hand(row: AppointmentRow, people: Mapping[str, Technician]) -> bool:
    """Whether an appointment is a promise for a time its technician does not usually work."""
    person = people.get(row.technician_id)
    if row.state != AppointmentState.PROMISED or person is None:
        return False
    calendar = replace(person.calendar, closures=())  # an absence breaks a promise, it shows
    working = calendar.between(row.starts_at, row.ends_at)
    return not working.covers(Interval(start=row.starts_at, end=row.ends_at))


def _taken_time(row: AppointmentRow) -> TakenTime:
    return TakenTime(
        technician=row.technician_id,
        interval=Interval(start=row.starts_at, end=row.ends_at),
    )


def to_be_placed(
    session: Session, rows: Sequence[VisitRow], *, now: datetime, days: Sequence[date], zone: str
) -> tuple[OpenVisit, ...]:
    """Return some visits as if they had no appointment, beside whoever else goes to their sites."""
    span = (local_day(days[0], zone) | local_day(days[-1], zone)).hull()
    assert span is not None, "a working day has a beginning and an end"
    sites = sites_by_id(session, {row.site_id for row in rows}, from_day=days[0])
    start = max(span.start, now.astimezone(UTC))
    others = presences(session, start=start, end=span.end, now=now, sites=sites)
    hours = _Hours(sites, others, start=start, end=span.end)
    return tuple(_open_visit(row, sites[row.site_id], hours, None) for row in rows)


class _Hours:
    """When a visit may be made; the hours of each site and window are worked out once.

    ``others`` stand in the calendar already: nobody else works at their site meanwhile.
    """

    def __init__(
        self,
        sites: Mapping[str, Site],
        others: Sequence[Presence],
        *,
        start: datetime,
        end: datetime,
    ) -> None:
        self._sites, self._start, self._end = sites, start, end
        self._known: dict[tuple[str, str], IntervalSet[datetime]] = {}
        self._others: defaultdict[str, list[Presence]] = defaultdict(list)
        for each in others:
            self._others[each.site].append(each)

    def of(self, visit: VisitRow) -> tuple[IntervalSet[datetime], OffTime | None]:
        """Return when all of a visit may be made, and when the part in which a machine is off.

        Where the worksheet does not say which part that is, all of the visit counts as such.
        """
        window, off = visit.window, None
        span = off_span(visit.worksheet) if window == Window.QUIET else None
        if span is not None:
            window = Window.ACCESS  # it begins and ends while the machine runs
            off = OffTime(begins=span[0], ends=span[1], hours=self._at(visit, Window.QUIET))
        there = [each.span for each in self._others[visit.site_id] if each.visit != visit.id]
        return self._at(visit, window) - IntervalSet.of(there), off

    def _at(self, visit: VisitRow, window: str) -> IntervalSet[datetime]:
        key = visit.site_id, window
        if key not in self._known:
            self._known[key] = self._allowed(self._sites[visit.site_id], window)
        return self._known[key]

    def _allowed(self, site: Site, window: str) -> IntervalSet[datetime]:
        allowed = site.quiet.between(self._start, self._end)
        if window != Window.QUIET:
            allowed = allowed | site.access.between(self._start, self._end)
        if window == ANY_TIME:
            allowed = allowed | site.opening.between(self._start, self._end)
        return allowed


def _open_visit(
    row: VisitRow, site: Site, hours: _Hours, standing: AppointmentRow | None
) -> OpenVisit:
    allowed, off = hours.of(row)
    return OpenVisit(
        id=row.id,
        site=site.id,
        at=Coordinates(lat=site.lat, lon=site.lon),
        zone=site.access.zone,
        minutes=row.minutes,
        skills=frozenset(row.skills),
        allowed=allowed,
        off=off,
        earliest=row.earliest,
        target=row.target,
        latest=row.latest,
        hard_latest=row.hard_latest,
        urgency=Urgency(row.urgency) if row.urgency else None,
        respond_by=row.respond_by,
        parts=row.parts,
        standing=None
        if standing is None
        else Standing(
            technician=standing.technician_id,
            starts_at=standing.starts_at,
            promised=standing.state == AppointmentState.PROMISED,
        ),
    )


def site_names(session: Session, visits: Collection[str]) -> dict[str, str]:
    """Return the name of the site of each visit there is."""
    return dict(
        session.exec(
            select(VisitRow.id, SiteRow.name)
            .join(SiteRow, col(SiteRow.id) == col(VisitRow.site_id))
            .where(col(VisitRow.id).in_(visits))
        ).all()
    )


def occupied(
    session: Session,
    *,
    now: datetime,
    since: datetime,
    technicians: Collection[str] | None = None,
) -> tuple[Occupied, ...]:
    """Return where each technician is who has begun something, and until when.

    What is under way counts whenever it was planned for, until its planned end or, when that has
    gone by, a quarter of an hour from now.

    Parameters
    ----------
    technicians : of these only, when given.
    """
    under_way = col(AppointmentRow.state) == AppointmentState.UNDER_WAY
    statement = (
        select_columns(
            col(AppointmentRow.technician_id),
            col(AppointmentRow.state),
            col(AppointmentRow.ends_at),
            col(SiteRow.lat),
            col(SiteRow.lon),
        )
        .join(VisitRow, col(VisitRow.id) == col(AppointmentRow.visit_id))
        .join(SiteRow, col(SiteRow.id) == col(VisitRow.site_id))
        .where(col(AppointmentRow.state) != AppointmentState.CANCELLED)
        .where(
            (under_way & (col(AppointmentRow.ends_at) > since))
            | ((col(AppointmentRow.starts_at) >= since) & (col(AppointmentRow.starts_at) < now))
        )
        .order_by(under_way, col(AppointmentRow.starts_at))
    )
    if technicians is not None:
        statement = statement.where(col(AppointmentRow.technician_id).in_(technicians))
    latest: dict[str, Occupied] = {}
    # the last one counts: what is under way, if anything is
    for technician, state, ends_at, lat, lon in session.execute(statement):
        latest[technician] = Occupied(
            technician=technician,
            at=Coordinates(lat=lat, lon=lon),
            until=max(ends_at, now + OVERRUN) if state in LIVE else now,
        )
    return tuple(latest.values())
