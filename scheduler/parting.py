"""Parting the work of a site into visits that fit into the hours of an ordinary week there.

All of a visit lies in hours in which work is welcome; the minutes a machine is off, in quiet ones.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, time

from scheduler.bundling import Bundle, Bundling, bundle_site
from scheduler.bundling_policy import BundlingPolicy
from scheduler.catalogue import Catalogue
from scheduler.company import Site
from scheduler.intervals import Interval, IntervalSet
from scheduler.lots import lot_key
from scheduler.machines import Machine
from scheduler.upkeep import DueTask
from scheduler.visit_estimate import VisitEstimates
from scheduler.wear.records import Kind
from scheduler.wear.weibull import Weibull
from scheduler.working_time import WorkingCalendar
from scheduler.worksheet import build_worksheet

_MARGIN_MINUTES = 30
"""Visits are kept this much shorter than the hours they have: several starts must fit."""

_LEAST_CUT_MINUTES = 12
"""By how much visits are shortened at least when one of them does not fit."""

_DAY_MINUTES = 24 * 60


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteHours:
    """The hours of an ordinary week at a site, in minutes from its beginning.

    Attributes
    ----------
    quiet : in which a machine may be off; at any time when empty.
    whole : in which somebody may work there at all; they include the quiet ones.
    """

    quiet: IntervalSet[int]
    whole: IntervalSet[int]

    @classmethod
    def of(cls, site: Site) -> "SiteHours":
        """Return the hours of a site, its closures and holidays left out of account."""
        return cls(quiet=_week(site.quiet), whole=_week(site.quiet, site.access))

    @property
    def safe_minutes(self) -> int:
        """How long a visit may be that fits into the quiet hours from beginning to end."""
        longest = max((each.end - each.start for each in self.quiet), default=_DAY_MINUTES)
        return longest - _MARGIN_MINUTES


def part_work(
    tasks: Iterable[DueTask],
    machines: Iterable[Machine],
    catalogue: Catalogue,
    policy: BundlingPolicy,
    hours: SiteHours,
    today: date,
    horizon: date,
    estimates: VisitEstimates | None = None,
    laws: Mapping[Kind, Weibull] | None = None,
) -> Bundling:
    """Return the cheapest visits for the due tasks of a site that fit into its hours.

    The longest visit allowed is shortened until every visit fits that can be parted at all, though
    never below what fits into quiet hours from beginning to end. Parameters and errors are those of
    ``bundle_site``.
    """
    by_id = {task.id: task for task in tasks}
    there = list(machines)
    least = max(min(policy.maximum_minutes, hours.safe_minutes), _MARGIN_MINUTES)
    fitting = policy
    while True:
        bundling = bundle_site(
            by_id.values(), there, catalogue, fitting, today, horizon, estimates, laws
        )
        if fitting.maximum_minutes <= least:
            return bundling
        excess = max(
            (_excess(bundle, by_id, there, catalogue, hours) for bundle in bundling.bundles),
            default=0,
        )
        if excess <= 0:
            return bundling
        room = fitting.maximum_minutes - max(excess, _LEAST_CUT_MINUTES)
        fitting = replace(fitting, maximum_minutes=max(room, least))


def _excess(
    bundle: Bundle,
    tasks: Mapping[str, DueTask],
    machines: Sequence[Machine],
    catalogue: Catalogue,
    hours: SiteHours,
) -> int:
    """Return by how many minutes a visit is too long; what is never split never is."""
    minutes = bundle.minutes
    made = [tasks[task] for task in bundle.tasks]
    if minutes <= hours.safe_minutes or len({lot_key(task) for task in made}) == 1:
        return 0
    worksheet = build_worksheet(made, machines, catalogue)
    off = worksheet.off_span
    begins, ends = off or (0, minutes)
    rooms = (
        min(whole.end - minutes, part.end - ends) - max(whole.start, part.start - begins)
        for whole in hours.whole
        for part in (hours.whole if off is None else hours.quiet)
    )
    room = max(rooms, default=_MARGIN_MINUTES)  # without any hours there is nothing to go by
    return _MARGIN_MINUTES - room


def _week(*calendars: WorkingCalendar) -> IntervalSet[int]:
    """Return these hours together, in minutes of an ordinary week."""
    return IntervalSet.of(
        Interval(
            start=day * _DAY_MINUTES + _minute_of(span.opens),
            end=(day + span.past_midnight) * _DAY_MINUTES + _minute_of(span.closes),
        )
        for calendar in calendars
        for day, spans in enumerate(calendar.weekly.by_weekday)
        for span in spans
    )


def _minute_of(wall: time) -> int:
    return wall.hour * 60 + wall.minute
