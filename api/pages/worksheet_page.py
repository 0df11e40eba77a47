"""The worksheet of one visit as a page: for a telephone at arm's length, or on paper.

It is one file that asks for nothing else: no script, no picture, no other host.
"""

import base64
import hashlib
from collections.abc import Iterator
from datetime import timedelta
from functools import cache
from typing import Any

from api.actions.briefs import BriefedWork
from api.actions.worksheet_addresses import GoneWorksheet
from api.feeds.calendar_text import one_line
from api.feeds.moments import clock_text, day_text, duration_text
from api.feeds.phrases import PHRASES, Phrases
from api.feeds.wording import AppointmentBrief, fetch_lines, fetch_title, leave_by
from api.pages.templates import style, template
from api.pages.worksheet_words import ENGLISH, FRENCH, PAGE_WORDS, PageWords
from scheduler.catalogue import Catalogue, SetPoint
from scheduler.lifecycle import AppointmentState
from scheduler.made_safe import states_met
from scheduler.visit_steps import StepKind
from scheduler.worksheet import Step

_STYLE = "worksheet.css"
_AHEAD = (AppointmentState.PLANNED, AppointmentState.PROMISED)


def draw_worksheet(work: BriefedWork, catalogue: Catalogue) -> str:
    """Return the page, in the language of its brief."""
    return template("worksheet.html").render(
        style=style(_STYLE), **_Page(work, catalogue).content()
    )


def draw_gone(gone: GoneWorksheet) -> str:
    """Return the page that says why there is no worksheet any more."""
    words = PAGE_WORDS[gone.language]
    return _said(gone.language, words.title, [words.gone[gone.why], words.ask])


def draw_absent() -> str:
    """Return the page of an address that never was; nobody knows what its reader speaks."""
    return _said("en", ENGLISH.title, [ENGLISH.never_was, FRENCH.never_was])


@cache
def page_policy() -> str:
    """Return the Content-Security-Policy: the page's own style and nothing else."""
    digest = base64.b64encode(hashlib.sha256(style(_STYLE).encode()).digest()).decode()
    return (
        f"default-src 'none'; style-src 'sha256-{digest}'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )


def _said(language: str, title: str, sentences: list[str]) -> str:
    return template("said.html").render(
        style=style(_STYLE), language=language, title=title, sentences=sentences
    )


class _Page:
    """Puts together what the template shows."""

    def __init__(self, work: BriefedWork, catalogue: Catalogue) -> None:
        self.work, self.catalogue = work, catalogue
        self.brief: AppointmentBrief = work.brief
        self.words: PageWords = PAGE_WORDS[work.brief.language]
        self.phrases: Phrases = PHRASES[work.brief.language]
        self.say = catalogue.translator(work.brief.language)
        self.checked_last = {
            (step.machine, reading)
            for step in work.sheet.steps
            if step.kind is StepKind.CHECK
            for reading in step.readings
        }

    def content(self) -> dict[str, Any]:
        brief, phrases = self.brief, self.phrases
        lat_lon = brief.lat_lon
        return {
            "language": brief.language,
            "words": self.words,
            "phrases": phrases,
            "flag": self._flag(),
            "site": one_line(brief.site),
            "what": [one_line(task) for task in brief.tasks],
            "when": phrases.times.format(
                day=day_text(brief.start, brief.zone, phrases),
                start=clock_text(brief.start, brief.zone),
                end=clock_text(brief.end, brief.zone),
                length=duration_text(brief.end - brief.start),
            ),
            "respond_by": self._respond_by(),
            "way": leave_by(brief) if brief.state in _AHEAD else [],
            "address": one_line(f"{brief.address}, {brief.town}"),
            "geo": None if lat_lon is None else f"geo:{lat_lon[0]:.6f},{lat_lon[1]:.6f}",
            "access_notes": brief.access_notes.strip(),
            "contact": one_line(brief.contact),
            "phone": one_line(brief.phone),
            "dial": "".join(sign for sign in brief.phone if sign.isdigit() or sign == "+"),
            "back": list(self._back()) or [self.words.stays_in_use],
            "fetch_title": fetch_title(brief),
            "fetch": fetch_lines(brief),
            "parts": [f"{quantity} × {one_line(name)}" for quantity, name in brief.parts],
            "tools": list(map(one_line, brief.tools)),
            "written_ahead": self.words.written_ahead.format(
                clock=clock_text(brief.start, brief.zone)
            ),
            "steps": list(self._steps()),
        }

    def _flag(self) -> str:
        """The state word that comes first, as in the calendar."""
        match self.brief.state:
            case AppointmentState.DONE:
                return self.phrases.done
            case AppointmentState.NO_ACCESS:
                return self.phrases.no_access
            case _:
                return self.phrases.urgent.capitalize() if self.brief.urgent else ""

    def _respond_by(self) -> str:
        moment = self.brief.respond_by
        if moment is None:
            return ""
        return self.phrases.respond_by.format(
            day=day_text(moment, self.brief.zone, self.phrases),
            clock=clock_text(moment, self.brief.zone),
        )

    def _back(self) -> Iterator[str]:
        """Which machines nobody may use, and when the café has each other one back."""
        for machine in sorted(self.work.stopped):
            yield self.words.stopped.format(machine=one_line(machine))
        for off in self.brief.machines_off:
            if off.machine in self.work.stopped:
                continue
            yield self.words.back_from.format(
                machine=one_line(off.machine),
                clock=clock_text(off.end, self.brief.zone),
                minutes=(off.end - self.brief.start) // timedelta(minutes=1),
            )

    def _steps(self) -> Iterator[dict[str, Any]]:
        """The steps in order; machine and state are named wherever they change."""
        before: tuple[str | None, str] | None = None
        work = list(filter(_is_work, self.work.sheet.steps))
        for number, (step, state) in enumerate(zip(work, states_met(work), strict=True), start=1):
            here = step.machine, state
            minutes = self.words.waiting_minutes if step.waiting else self.words.step_minutes
            yield {
                "number": number,
                "clock": clock_text(
                    self.brief.start + timedelta(minutes=step.start_minute), self.brief.zone
                ),
                "where": self._where(step) if here != before else "",
                "state": self.words.state[state] if step.machine and here != before else "",
                "kind": str(state) if step.machine else "site",
                "waiting": step.waiting,
                "minutes": minutes.format(minutes=step.minutes),
                "text": one_line(step.text),
                "details": list(map(one_line, step.details)),
                "cautions": list(map(one_line, step.cautions)),
                "readings": list(self._readings(step)),
            }
            before = here

    def _boxes(self, step: Step, reading: str) -> list[str]:
        """What is written down: as found before the work, as left once, at the last check."""
        match step.kind:
            case StepKind.AS_FOUND:
                return [self.words.as_found]
            case StepKind.CHECK:
                return [self.words.as_left]
            case _ if (step.machine, reading) in self.checked_last:
                return [self.words.as_found]
            case _:
                return [self.words.as_found, self.words.as_left]

    def _where(self, step: Step) -> str:
        if step.machine is None:
            return self.words.whole_site
        return one_line(self.work.machines.get(step.machine, step.machine))

    def _readings(self, step: Step) -> Iterator[dict[str, Any]]:
        for reading in step.readings:
            boxes = self._boxes(step, reading)
            point = self.catalogue.set_points.get(reading)
            if point is None:
                yield {"name": reading, "range": "", "stop": "", "boxes": boxes}
                continue
            between = self.words.between.format(
                low=self._number(point.low), high=self._number(point.high), unit=point.unit
            )
            yield {
                "name": self.say(point.name),
                "range": between,
                "stop": self._stop(point),
                "boxes": boxes,
            }

    def _stop(self, point: SetPoint) -> str:
        below, above = point.stop_below, point.stop_above
        if below is None and above is None:
            return ""
        pattern = (
            self.words.stop_above
            if below is None
            else self.words.stop_below
            if above is None
            else self.words.stop_outside
        )
        return pattern.format(
            below="" if below is None else f"{self._number(below)} {point.unit}",
            above="" if above is None else f"{self._number(above)} {point.unit}",
        )

    def _number(self, value: float) -> str:
        return f"{value:g}".replace(".", self.words.decimal_sign)


def _is_work(step: Step) -> bool:
    return step.minutes > 0 or bool(step.cautions)
