"""A fault report becomes a callback: judged, promised an answer, made into an urgent visit."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import date, datetime

from sqlalchemy import or_
from sqlmodel import Session, col, select

from api.actions.calendars import refresh_calendars
from api.storage.audit import Origin, announce, record
from api.storage.booking_rules import acceptance_of, rates_of
from api.storage.confirmed_causes import confirmed_causes
from api.storage.database import Database
from api.storage.documents import finding_to_json, worksheet_to_json
from api.storage.ids import new_id
from api.storage.open_work import ANY_TIME, bump_revision
from api.storage.snapshots import company, contracts_by_id, machines_by_id
from api.storage.standing import live_appointment
from api.storage.tables import CallbackRow, MachineRow, SiteRow, VisitRow
from scheduler.call_price import call_price
from scheduler.catalogue import Catalogue
from scheduler.company import Contract
from scheduler.errors import Absent, MachineUnclear, NoWorkingTime
from scheduler.machines import Machine
from scheduler.triage import Finding, callback_worksheet, learned_rates, make_safe_now, triage
from scheduler.working_time import deadline, local_date
from scheduler.worksheet import Worksheet

_DAYS_PER_YEAR = 365.25

_OUT_OF_COVER = "Out of cover: no contract is in force, the price has to be accepted first."


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultReport:
    """What a caller says.

    Attributes
    ----------
    machine : the machine's id, the tag on it, or its serial number.
    site : where it stands, for callers who cannot say which machine it is; with ``machine`` as
        well, only a machine there is meant.
    symptoms : ids from the catalogue.
    text : the fault in the caller's own words.
    answers : symptom id -> whether it is there, for questions asked back.
    photos : where pictures can be found, or what the caller's program knows them by.
    """

    machine: str | None = None
    site: str | None = None
    symptoms: tuple[str, ...] = ()
    text: str = ""
    answers: Mapping[str, bool] = field(default_factory=dict)
    photos: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Answer:
    """What triage and the contract make of a report."""

    finding: Finding
    worksheet: Worksheet
    covered: bool
    respond_by: datetime | None


def take_callback(
    database: Database,
    report: FaultReport,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
    client: str | None = None,
) -> CallbackRow:
    """Judge a fault report and make the visit that answers it.

    A second report on a machine whose callback is still open joins that one, and whoever is on
    the way there reads it in the calendar. Where no contract is in force the visit is made all the
    same, without an answer promised; it has a price, and waits until the client accepts it. When
    what is to be done changes the price, that waits for a new acceptance.

    Parameters
    ----------
    client : only machines of this client exist for the caller, when given.

    Raises
    ------
    Absent
        There is no such machine or site, or it is not this client's.
    MachineUnclear
        The report fits several machines.
    UnknownReference
        A symptom is not in the catalogue.
    """
    now = now.replace(microsecond=0)
    with database.write() as session:
        row, site = _machine(session, report, catalogue, client, now)
        today = local_date(now, site.zone)
        machine = machines_by_id(session, [row.id], on=today)[row.id]
        contract = contracts_by_id(session, [site.contract_id], from_day=today)[site.contract_id]
        callback = _open_callback(session, row.id)
        standing = None if callback is None else live_appointment(session, callback.visit_id)
        if standing is not None:
            database.lock(session, technicians=[standing.technician_id])
        if callback is None:
            callback = CallbackRow(
                id=new_id("cb"),
                client_id=site.client_id,
                site_id=site.id,
                machine_id=row.id,
                reported_at=now,
                symptoms=[],
                urgency="",
                finding={},
            )
        callback.text = "\n".join(filter(None, (callback.text, report.text.strip())))
        callback.photos = list(dict.fromkeys([*callback.photos, *report.photos]))
        symptoms = (*callback.symptoms, *report.symptoms)
        causes = confirmed_causes(session, now=now)
        rates = learned_rates(causes.found, causes.machine_years, catalogue)
        answer = _judge(
            callback, symptoms, report.answers, machine, contract, catalogue, rates, today
        )
        callback.symptoms = list(answer.finding.symptoms)
        callback.urgency = str(answer.finding.urgency)
        callback.respond_by, callback.covered = answer.respond_by, answer.covered
        callback.finding = finding_to_json(answer.finding)
        visit = _visit(session, callback, answer, catalogue, site, today)
        if answer.covered:
            callback.price, visit.awaits_price = None, False
        else:
            charged = rates_of(session, site.contract_id)
            price = call_price(visit.minutes, visit.parts, charged, catalogue)
            callback.price = {
                **asdict(price),
                "amount_minor": price.amount_minor,
                "currency": company(session).currency,
            }
            accepted = acceptance_of(session, callback.id, callback.price)
            visit.awaits_price = accepted is None
        session.add(visit)
        session.flush()  # the callback refers to its visit
        callback.visit_id = visit.id
        session.add(callback)
        if standing is not None:
            refresh_calendars(
                session, [standing.technician_id], catalogue, sites=[site.id], now=now
            )
            bump_revision(session, now)
        announce_callback(session, callback, topic="callback.taken", now=now)
        record(
            session,
            origin,
            now=now,
            verb="report",
            subject=f"callback/{callback.id}",
            after={
                "machine": row.id,
                "urgency": callback.urgency,
                "covered": callback.covered,
            },
        )
        return callback


def announce_callback(session: Session, row: CallbackRow, *, topic: str, now: datetime) -> None:
    """Tell the client's portal what became of a callback, in ids and instants."""
    visit = session.get_one(VisitRow, row.visit_id)
    announce(
        session,
        now=now,
        topic=topic,
        client=row.client_id,
        payload={
            "callback": row.id,
            "visit": row.visit_id,
            "site": row.site_id,
            "machine": row.machine_id,
            "tag": session.get_one(MachineRow, row.machine_id).tag,
            "state": row.state,
            "urgency": row.urgency,
            "respond_by": row.respond_by,
            "awaits_price": visit.awaits_price and row.state == "open",
        },
    )


def _machine(
    session: Session, report: FaultReport, catalogue: Catalogue, client: str | None, now: datetime
) -> tuple[MachineRow, SiteRow]:
    """Return the machine meant. It stands at its site today; it may have to go one day."""
    rows = select(MachineRow, SiteRow).join(SiteRow, col(SiteRow.id) == col(MachineRow.site_id))
    meant = report.machine
    if meant is not None:
        own_names = col(MachineRow.id), col(MachineRow.tag), col(MachineRow.serial)
        rows = rows.where(or_(*(name == meant for name in own_names)))
    if client is not None:
        rows = rows.where(SiteRow.client_id == client)
    if report.site is not None:
        rows = rows.where(SiteRow.id == report.site)
    found = [
        (machine, site)
        for machine, site in session.exec(rows.order_by(col(MachineRow.tag)))
        if machine.retired_on is None or machine.retired_on > local_date(now, site.zone)
    ]
    for name in ("id", "tag"):  # a serial number may be another machine's tag
        found = [each for each in found if getattr(each[0], name) == meant] or found
    if not found:
        if meant is not None:
            raise Absent("machine", meant)
        raise Absent("site with a machine", report.site or "")
    if len(found) > 1:
        raise MachineUnclear(
            [(machine.tag, machine.name) for machine, _ in found],
            make_safe=make_safe_now(report.symptoms, report.text, report.answers, catalogue),
        )
    return found[0]


def _open_callback(session: Session, machine: str) -> CallbackRow | None:
    return session.exec(
        select(CallbackRow).where(CallbackRow.machine_id == machine, CallbackRow.state == "open")
    ).first()


def _judge(
    callback: CallbackRow,
    symptoms: tuple[str, ...],
    answers: Mapping[str, bool],
    machine: Machine,
    contract: Contract,
    catalogue: Catalogue,
    rates: Mapping[str, float],
    today: date,
) -> _Answer:
    age_years = max((today - machine.installed_on).days, 0) / _DAYS_PER_YEAR
    finding = triage(
        symptoms,
        callback.text,
        machine.build,
        age_years,
        catalogue,
        answers=answers,
        rates=rates,
    )
    covered = contract.covers(today)
    return _Answer(
        finding=finding,
        worksheet=callback_worksheet(finding, machine, catalogue, callback.id),
        covered=covered,
        respond_by=_promised(contract, finding, callback.reported_at) if covered else None,
    )


def _promised(contract: Contract, finding: Finding, reported_at: datetime) -> datetime | None:
    """Return until when the contract promises an answer; None where it promises or counts none."""
    minutes = contract.response_minutes.get(finding.urgency)
    if minutes is None:
        return None
    try:
        return deadline(contract.service_hours, reported_at, minutes)
    except NoWorkingTime:
        return None


def _visit(
    session: Session,
    callback: CallbackRow,
    answer: _Answer,
    catalogue: Catalogue,
    site: SiteRow,
    today: date,
) -> VisitRow:
    """Return the visit that answers a callback, new or brought up to date.

    A visit that has its appointment keeps its length: the technician is told of the rest.
    """
    finding, sheet = answer.finding, answer.worksheet
    visit = session.get(VisitRow, callback.visit_id) if callback.visit_id else None
    if visit is None:
        visit = VisitRow(
            id=new_id("vi"),
            site_id=site.id,
            kind="callback",
            window=ANY_TIME,
            minutes=sheet.minutes,
            skills=[],
            earliest=today,
            target=today,
            latest=today,
            headlines=[],
            worksheet={},
        )
    if visit.state == "open":
        visit.minutes = sheet.minutes
    answer_day = today if answer.respond_by is None else local_date(answer.respond_by, site.zone)
    visit.target = visit.latest = max(answer_day, visit.earliest)
    visit.skills = sorted(finding.skills)
    visit.parts = dict(finding.parts)
    visit.urgency = str(finding.urgency)
    visit.respond_by = answer.respond_by
    symptoms = [catalogue.symptoms[each] for each in finding.symptoms]
    symptoms.sort(key=lambda symptom: not symptom.red_flag)  # a calendar may show the first only
    visit.headlines = [symptom.name for symptom in symptoms] or ["Fault not described"]
    visit.worksheet = worksheet_to_json(sheet)
    visit.because = finding.because if answer.covered else f"{_OUT_OF_COVER} {finding.because}"
    return visit
