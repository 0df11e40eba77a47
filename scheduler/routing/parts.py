"""What a planning problem is made of: places, shifts with their breaks, visits with their pins.

Each part checks itself; whether the parts fit each other is the question of `misfits`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from scheduler.errors import InvalidProblem
from scheduler.routing.reading import Flaws

MINUTES_LIMIT = 10_000_000
"""Largest minute, before or after `minute_zero`: 19 years, and sums still fit 32 bits."""

COST_LIMIT = 1_000_000_000
"""Largest single cost: a sum over ten thousand visits still fits a 64-bit float exactly."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a round starts or ends or a visit happens.

    Attributes
    ----------
    id
        Opaque, unique among the places.
    lat, lon
        Degrees, north and east positive; both or neither. Only for maps: travel comes from the
        problem's matrix.
    """

    id: str
    lat: float | None = None
    lon: float | None = None

    def __post_init__(self) -> None:
        rules = Rules()
        rules.require("id", bool(self.id), "must not be empty")
        rules.require(
            "lat", (self.lat is None) == (self.lon is None), "and lon must both be given or neither"
        )
        for name, value, limit in (("lat", self.lat, 90), ("lon", self.lon, 180)):
            rules.require(
                name,
                value is None or -limit <= value <= limit,
                f"must be from -{limit} to {limit} degrees, got {value}",
            )
        rules.finish()


@dataclass(frozen=True, slots=True, kw_only=True)
class Pause:
    """The break of a shift: it floats, but lies wholly inside [earliest, latest].

    Attributes
    ----------
    minutes
        Its length, > 0.
    earliest, latest
        Minutes from `minute_zero`: the first it may start and the last it may end.
    """

    minutes: int
    earliest: int
    latest: int

    def __post_init__(self) -> None:
        rules = Rules()
        rules.require("minutes", self.minutes > 0, f"must be > 0, got {self.minutes}")
        rules.minute("earliest", self.earliest)
        rules.minute("latest", self.latest)
        rules.require(
            "latest",
            self.latest - self.earliest >= self.minutes,
            f"must be at least {self.minutes} minutes after earliest {self.earliest}, "
            f"got {self.latest}",
        )
        rules.finish()


@dataclass(frozen=True, slots=True, kw_only=True)
class Workshop:
    """Where a round may call once on its way; from then on it lacks neither tools nor parts.

    Attributes
    ----------
    place
        Index into the problem's places.
    minutes
        How long the call takes, >= 0; charged like travel.
    """

    place: int
    minutes: int = 0

    def __post_init__(self) -> None:
        rules = Rules()
        rules.length("minutes", self.minutes)
        rules.finish()


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """One technician's working day.

    Attributes
    ----------
    id
        Opaque, unique among the shifts.
    technician
        Whose shift it is.
    start_place, end_place
        Indices into the problem's places.
    start, end
        Minutes from `minute_zero`; the whole round lies between them.
    skills
        What the technician can do on that day.
    pause
        The break to take when the shift is used; called "break" in the file.
    tools
        What the technician has along from the start; not used up.
    parts
        Spare parts along from the start: kind to how many, >= 0.
    workshop
        Where tools and parts can be fetched on the way; None where there is no such place.
    driving_limit
        Most minutes of travel of its round, calls at the workshop included; None without a limit.
    usual_minutes
        Working minutes, >= 0, of the usual day of its team, from which balance counts, longer
        days and shorter ones; 0 where all work is to be spread.
    """

    id: str
    technician: str
    start_place: int
    end_place: int
    start: int
    end: int
    skills: frozenset[str] = frozenset()
    pause: Pause | None = None
    tools: frozenset[str] = frozenset()
    parts: Mapping[str, int] = field(default_factory=dict)
    workshop: Workshop | None = None
    driving_limit: int | None = None
    usual_minutes: int = 0

    def __post_init__(self) -> None:
        rules = Rules()
        rules.require("id", bool(self.id), "must not be empty")
        rules.require("technician", bool(self.technician), "must not be empty")
        rules.minute("start", self.start)
        rules.minute("end", self.end)
        rules.require(
            "end", self.end >= self.start, f"must not be before start {self.start}, got {self.end}"
        )
        for kind, count in self.parts.items():
            rules.count(f"parts.{kind}", count)
        if self.driving_limit is not None:
            rules.length("driving_limit", self.driving_limit)
        rules.length("usual_minutes", self.usual_minutes)
        if self.pause is not None:
            room = min(self.end, self.pause.latest) - max(self.start, self.pause.earliest)
            rules.require(
                "break",
                room >= self.pause.minutes,
                f"needs {self.pause.minutes} minutes of [{self.pause.earliest}, "
                f"{self.pause.latest}] inside the shift [{self.start}, {self.end}], "
                f"which leaves {max(room, 0)}; move it or drop it",
            )
        rules.finish()
        object.__setattr__(self, "parts", dict(self.parts))


@dataclass(frozen=True, slots=True, kw_only=True)
class Pin:
    """Where a visit stands and may not be moved from: a shift's id and the minute it starts."""

    shift: str
    start: int

    def __post_init__(self) -> None:
        rules = Rules()
        rules.require("shift", bool(self.shift), "must not be empty")
        rules.minute("start", self.start)
        rules.finish()


@dataclass(frozen=True, slots=True, kw_only=True)
class After:
    """What has to be done before a visit: another visit's id, and the minutes between, >= 0."""

    visit: str
    minutes: int = 0

    def __post_init__(self) -> None:
        rules = Rules()
        rules.require("visit", bool(self.visit), "must not be empty")
        rules.length("minutes", self.minutes)
        rules.finish()


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """One piece of work at one place, done by one technician without interruption.

    Attributes
    ----------
    id
        Opaque, unique among the visits.
    place
        Index into the problem's places.
    minutes
        Time on site, >= 0.
    skills
        What a shift must offer.
    start_windows
        Minutes [first, last] in which the visit may *start*, both ends allowed. Kept sorted,
        with overlapping ones merged. Without any, the visit cannot be planned.
    leave_out_cost
        Minutes of travel equivalent charged when it is left out, >= 0.
    pinned
        Set when it may not move.
    shift_costs
        Shift id to an added cost >= 0; shifts not named cost nothing extra. Carries lateness,
        preference and stability.
    tools
        What the technician must have along.
    parts
        Spare parts used up: kind to how many, >= 0.
    shift_minutes
        Shift id to its time on site there, >= 0, for technicians who need more or less than
        `minutes`; shifts not named take `minutes`.
    after
        Set when it may start only some minutes after another has ended, and not without it.
    together_with
        The id of another visit that starts in the same minute with another technician: work for
        two. Both are made or neither; only one of the two names the other.
    site
        Where it is made, if only one technician may work there at a time: work that isolates and
        empties a machine must not meet work on it while it runs. Opaque, not empty.
    """

    id: str
    place: int
    minutes: int
    skills: frozenset[str] = frozenset()
    start_windows: tuple[tuple[int, int], ...]
    leave_out_cost: int
    pinned: Pin | None = None
    shift_costs: Mapping[str, int] = field(default_factory=dict)
    tools: frozenset[str] = frozenset()
    parts: Mapping[str, int] = field(default_factory=dict)
    shift_minutes: Mapping[str, int] = field(default_factory=dict)
    after: After | None = None
    together_with: str | None = None
    site: str | None = None

    def __post_init__(self) -> None:
        rules = Rules()
        rules.require("id", bool(self.id), "must not be empty")
        rules.require("site", self.site != "", "must not be empty; leave it away instead")
        rules.length("minutes", self.minutes)
        for shift, minutes in self.shift_minutes.items():
            rules.length(f"shift_minutes.{shift}", minutes)
        rules.cost("leave_out_cost", self.leave_out_cost)
        for shift, cost in self.shift_costs.items():
            rules.cost(f"shift_costs.{shift}", cost)
        for kind, count in self.parts.items():
            rules.count(f"parts.{kind}", count)
        for at, (first, last) in enumerate(self.start_windows):
            rules.minute(f"start_windows[{at}]", first)
            rules.minute(f"start_windows[{at}]", last)
            rules.require(
                f"start_windows[{at}]",
                first <= last,
                f"must not end before it begins, got [{first}, {last}]",
            )
        rules.finish()
        object.__setattr__(self, "start_windows", merged(self.start_windows))
        object.__setattr__(self, "shift_costs", dict(self.shift_costs))
        object.__setattr__(self, "parts", dict(self.parts))
        object.__setattr__(self, "shift_minutes", dict(self.shift_minutes))

    def minutes_in(self, shift_id: str) -> int:
        """Return the time on site when a shift makes the visit."""
        return self.shift_minutes.get(shift_id, self.minutes)

    def may_start_at(self, minute: int) -> bool:
        """Tell whether one of the windows holds the minute."""
        return any(first <= minute <= last for first, last in self.start_windows)


class Rules:
    """Collects the flaws a value finds in itself and raises them together."""

    def __init__(self) -> None:
        self._flaws = Flaws()

    def require(self, path: str, holds: bool, message: str) -> None:
        """Note a flaw unless the rule holds."""
        if not holds:
            self._flaws.note(path, message)

    def minute(self, path: str, value: int) -> None:
        """Require a minute within the countable range."""
        self.require(
            path,
            -MINUTES_LIMIT <= value <= MINUTES_LIMIT,
            f"must be a minute from -{MINUTES_LIMIT} to {MINUTES_LIMIT}, got {value}",
        )

    def length(self, path: str, value: int) -> None:
        """Require a number of minutes within the countable range."""
        self.require(
            path, 0 <= value <= MINUTES_LIMIT, f"must be from 0 to {MINUTES_LIMIT}, got {value}"
        )

    def cost(self, path: str, value: int) -> None:
        """Require a cost within the countable range."""
        self.require(
            path, 0 <= value <= COST_LIMIT, f"must be a cost from 0 to {COST_LIMIT}, got {value}"
        )

    def count(self, path: str, value: int) -> None:
        """Require a number of things within the countable range."""
        self.require(path, 0 <= value <= COST_LIMIT, f"must be from 0 to {COST_LIMIT}, got {value}")

    def finish(self) -> None:
        """Raise InvalidProblem when any rule was broken."""
        if len(self._flaws):
            raise InvalidProblem(self._flaws.as_tuple())


def merged(windows: Sequence[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """Return the windows sorted, with those that touch or overlap made one."""
    result: list[tuple[int, int]] = []
    for first, last in sorted(windows):
        if result and first <= result[-1][1]:
            result[-1] = (result[-1][0], max(last, result[-1][1]))
        else:
            result.append((first, last))
    return tuple(result)
