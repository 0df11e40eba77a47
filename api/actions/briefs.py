"""From rows to all that a calendar may tell about an appointment."""

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any, cast

from sqlalchemy.orm import defer
from sqlmodel import Session, col, select

from api.feeds.phrases import PHRASES, Language, VisitKind
from api.feeds.wording import AppointmentBrief, MachineOff, WorkLine
from api.storage.documents import worksheet_from_json
from api.storage.open_work import site_names
from api.storage.tables import (
    AppointmentRow,
    ClientRow,
    HandOverRow,
    MachineRow,
    SiteRow,
    TechnicianRow,
    VisitRow,
)
from api.storage.unread import URGENT
from scheduler.catalogue import Catalogue, MachineState
from scheduler.lifecycle import AppointmentState
from scheduler.translations import Translator
from scheduler.visit_steps import StepKind
from scheduler.worksheet import Step, Worksheet, at_pace

_OFF_FROM = frozenset({StepKind.TAKE_OUT, StepKind.SHUT_DOWN})
_BEHIND_COVERS = frozenset({StepKind.OPEN, StepKind.CLOSE})


@dataclass(frozen=True, slots=True, kw_only=True)
class BriefedWork:
    """One appointment with its whole worksheet; ``machines`` are the names of those in it.

    ``stopped`` are those that stand stopped and made safe now, whenever the worksheet was written.
    """

    brief: AppointmentBrief
    sheet: Worksheet
    machines: Mapping[str, str]
    stopped: Collection[str]


class Briefs:
    """The visits, sites, clients, people and machines some appointments are about, read at once.

    Parameters
    ----------
    with_work
        Whether the order of work is wanted: reading a worksheet takes longer than all the rest.
    language
        The reader's: names of work, parts and tools are said in it, as far as they have been.
    """

    def __init__(
        self,
        session: Session,
        appointments: Iterable[AppointmentRow],
        catalogue: Catalogue,
        *,
        with_work: bool,
        language: Language = "en",
    ) -> None:
        appointments = list(appointments)
        self._session, self._catalogue, self._with_work = session, catalogue, with_work
        self._language, self._say = language, catalogue.translator(language)
        self._visits = self._rows(VisitRow, {row.visit_id for row in appointments})
        self._sites = self._rows(SiteRow, {row.site_id for row in self._visits.values()})
        for_visits = {visit for row in appointments for visit in row.fetch}
        self._fetched_for = site_names(session, for_visits) if for_visits else {}
        self._clients = self._rows(ClientRow, {row.client_id for row in self._sites.values()})
        self._people = self._rows(TechnicianRow, {row.technician_id for row in appointments})
        self._machine_names: dict[str, str] = {}
        self._stopped: frozenset[str] = frozenset()
        if with_work:
            worked_on = {
                step["machine"]
                for visit in self._visits.values()
                for step in visit.worksheet.get("steps", ())
            }
            machines = session.exec(
                select(
                    MachineRow.id,
                    MachineRow.name,
                    MachineRow.tag,
                    MachineRow.out_of_service_since,
                ).where(col(MachineRow.id).in_(worked_on - {None}))
            ).all()
            # twins of one make stand side by side: the tag tells which one is locked off
            tagged = PHRASES[language].machine
            self._machine_names = {
                key: tagged.format(name=name, tag=tag) for key, name, tag, _ in machines
            }
            self._stopped = frozenset(
                self._machine_names[key] for key, _, _, since in machines if since is not None
            )

    def brief(self, row: AppointmentRow) -> AppointmentBrief:
        """Return all that may be told about one appointment."""
        visit = self._visits[row.visit_id]
        site = self._sites[visit.site_id]
        client = self._clients[site.client_id]
        brief = AppointmentBrief(
            appointment_id=row.id,
            state=AppointmentState(row.state),
            kind=cast(VisitKind, visit.kind),
            start=row.starts_at,
            end=row.ends_at,
            zone=site.zone,
            created=row.created_at,
            revised=row.revised_at,
            sequence=row.sequence,
            site=site.name,
            town=site.town,
            address=site.address,
            client=client.name,
            technician=self._people[row.technician_id].name,
            tasks=tuple(map(self._say, visit.headlines)),
            language=self._language,
            lat_lon=(site.lat, site.lon),
            urgent=visit.urgency in URGENT,
            respond_by=visit.respond_by,
            moved_from=row.moved_from,
            travel_minutes=row.travel_minutes or None,
            call_minutes=row.call_minutes,
            fetch=tuple(
                (number, self._say(part_name(part, self._catalogue)), self._fetched_for[visit])
                for visit, pieces in row.fetch.items()
                for part, number in pieces.items()
            ),
            access_notes=site.access_notes,
            contact=client.contact_name,
            phone=site.phone,
        )
        if not self._with_work:
            return brief
        return self._worded(brief, self._sheet(row))

    def worksheet(self, row: AppointmentRow) -> BriefedWork:
        """Return the worksheet of one appointment in the reader's language, and what it is for."""
        return BriefedWork(
            brief=self.brief(row),
            sheet=self._sheet(row),
            machines=self._machine_names,
            stopped=self._stopped,
        )

    def _sheet(self, row: AppointmentRow) -> Worksheet:
        """The worksheet at the pace of whoever comes, in the reader's language."""
        sheet = worksheet_from_json(self._visits[row.visit_id].worksheet)
        return said(at_pace(sheet, self._people[row.technician_id].pace), self._say)

    def _worded(self, brief: AppointmentBrief, sheet: Worksheet) -> AppointmentBrief:
        return replace(
            brief,
            steps=tuple(
                WorkLine(
                    text=_in_full(step),
                    minutes=step.minutes,
                    machine=self._machine_names.get(step.machine or "", ""),
                    waiting=step.waiting,
                )
                for step in sheet.steps
                if step.minutes
            ),
            parts=tuple(
                (quantity, self._say(part_name(part, self._catalogue)))
                for part, quantity in sheet.parts.items()
            ),
            tools=sheet.tools,
            cautions=sheet.cautions,
            machines_off=tuple(self._machines_off(brief, sheet)),
        )

    def _machines_off(self, brief: AppointmentBrief, sheet: Worksheet) -> Iterator[MachineOff]:
        """Yield each machine that is taken out of use, from that step until it is back."""
        taken_out: dict[str, int] = {}
        for step in sheet.steps:
            if step.machine is not None and step.kind in _OFF_FROM:
                taken_out.setdefault(step.machine, step.start_minute)
        for machine, minute in taken_out.items():
            back = sheet.machine_back_minutes.get(machine, sheet.minutes)
            yield MachineOff(
                machine=self._machine_names.get(machine, machine),
                start=brief.start + timedelta(minutes=minute),
                end=brief.start + timedelta(minutes=back),
            )

    def _rows(self, table: Any, ids: set[str]) -> dict[str, Any]:
        statement = select(table).where(col(table.id).in_(ids))
        if table is VisitRow and not self._with_work:
            statement = statement.options(defer(VisitRow.worksheet))  # type: ignore[arg-type]
        return {row.id: row for row in self._session.exec(statement)}


def tombstone(brief: AppointmentBrief, left: HandOverRow) -> AppointmentBrief:
    """Return an appointment as the technician who gave it away last saw it."""
    return replace(
        brief,
        start=left.starts_at,
        end=left.ends_at,
        sequence=left.sequence,
        revised=left.handed_over_at,
        moved_from=None,
        handed_over=True,
    )


def said(sheet: Worksheet, say: Translator) -> Worksheet:
    """Return a worksheet in another language."""
    steps = [
        replace(
            step,
            text=say(step.text),
            details=tuple(map(say, step.details)),
            cautions=tuple(map(say, step.cautions)),
        )
        for step in sheet.steps
    ]
    return replace(
        sheet,
        steps=tuple(steps),
        tools=tuple(map(say, sheet.tools)),
        cautions=tuple(map(say, sheet.cautions)),
    )


def part_name(part: str, catalogue: Catalogue) -> str:
    """Return the name of a part; of one the catalogue no longer has, its id."""
    known = catalogue.part_types.get(part)
    return known.name if known is not None else part


def _in_full(step: Step) -> str:
    """Return what a step says; how it is done, too, where the machine is hot, live or unknown.

    What a cover hides is warned of where it is opened or closed, not only ahead of all work.
    """
    if step.kind in _BEHIND_COVERS and step.cautions:
        return f"{step.text}. {' '.join(step.cautions)}"
    if step.state is MachineState.COLD or not step.details:
        return step.text
    return f"{step.text}: {'; '.join(step.details)}"
