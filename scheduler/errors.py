"""What can go wrong in the engine.

    SteamroundError
    ├── InvalidInput            a value, file or table that breaks its own rules
    │   ├── InvalidCatalogue
    │   ├── InvalidCompany
    │   ├── InvalidProblem
    │   ├── InvalidPlan
    │   ├── InvalidParams
    │   ├── UnknownZone
    │   ├── UnreadableCalendar
    │   ├── UnreadableComponent
    │   └── UnknownReference
    ├── MoveNotAllowed          a change the present state does not permit
    ├── Impossible              a sound question with no answer
    │   ├── NobodyWorks
    │   ├── NeverRenewed
    │   ├── NoWorkingTime
    │   ├── TooFewFailures
    │   └── TooShortlyWatched
    ├── Busy                    too many want the same at once: later it may go well
    ├── Absent                  nothing of that kind has that id, or it is not yours to see
    └── Conflict                a sound request that the present state does not allow
        ├── DoubleBooking
        ├── HeldForClient
        ├── HoldOver
        ├── MachineUnclear
        ├── NoticeTooShort
        ├── PlanOutdated
        ├── PriceChanged
        ├── PriceNotAccepted
        ├── ReadTooSoon
        ├── SiteTaken
        ├── StaleVersion
        ├── TimeTaken
        │   └── JustTaken
        ├── TooEarly
        └── TooManyHolds

Errors are nouns with fields; the edge of the program turns them into words for its own medium.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from math import ceil


class SteamroundError(Exception):
    """Base of everything this package raises on purpose."""


class InvalidInput(SteamroundError):
    """A value breaks its own rules; the message shows the value and says what to do."""


class Impossible(SteamroundError):
    """The question is sound but has no answer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Flaw:
    """One thing wrong with a file or value.

    Attributes
    ----------
    path
        Where it stands, such as ``visits[3].minutes``.
    message
        What is wrong, with the value, and what would be right.
    """

    path: str
    message: str

    def __str__(self) -> str:
        return f"{self.path}: {self.message}"


class InvalidCatalogue(InvalidInput):
    """What is said about the trade breaks its own rules; every flaw found is listed."""

    def __init__(self, flaws: tuple[Flaw, ...]) -> None:
        super().__init__(flaws)
        self.flaws = flaws

    def __str__(self) -> str:
        return "\n".join(map(str, self.flaws))


class InvalidProblem(InvalidInput):
    """A planning problem breaks its own rules; every flaw found is listed."""

    def __init__(self, flaws: tuple[Flaw, ...]) -> None:
        super().__init__(flaws)
        self.flaws = flaws

    def __str__(self) -> str:
        return "\n".join(map(str, self.flaws))


class InvalidPlan(InvalidInput):
    """A plan file breaks its own rules; every flaw found is listed."""

    def __init__(self, flaws: tuple[Flaw, ...]) -> None:
        super().__init__(flaws)
        self.flaws = flaws

    def __str__(self) -> str:
        return "\n".join(map(str, self.flaws))


class NoWorkingTime(Impossible):
    """A calendar holds no working time for a year, so a number of working minutes never ends."""

    def __init__(self, zone: str, start: datetime, working_minutes: int) -> None:
        self.zone = zone
        self.start = start
        self.working_minutes = working_minutes
        super().__init__(
            f"{working_minutes} working minutes from {start:%Y-%m-%d %H:%M}Z ({zone}) never end: "
            "the calendar has no opening hours for a year"
        )


class UnknownZone(InvalidInput):
    """No such zone in the time zone database; ``key`` is the name that was given."""

    def __init__(self, key: str) -> None:
        self.key = key
        super().__init__(f"time zone must be an IANA name such as Europe/Berlin, got {key!r}")


class Absent(SteamroundError):
    """Nothing of that ``kind`` has that ``id``, or it is not for this person to see."""

    def __init__(self, kind: str, id: str) -> None:  # noqa: A002 - ids are called id everywhere
        self.kind = kind
        self.id = id
        super().__init__(f"there is no {kind} {id!r}")


class Busy(SteamroundError):
    """Others were in the way for too long; later it may go well."""

    def __init__(self) -> None:
        super().__init__("the database is busy or away: try again in a second")


class Conflict(SteamroundError):
    """The request is sound, but the present state does not allow it; the message says why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlap:
    """Two live appointments of one technician that share time."""

    technician: str
    first: str
    second: str


class MachineUnclear(Conflict):
    """What was said fits several machines; ``machines`` are their tags and names.

    ``make_safe`` is what to do before anybody goes to look for a tag.
    """

    def __init__(
        self, machines: Iterable[tuple[str, str]], *, make_safe: Iterable[str] = ()
    ) -> None:
        self.machines = tuple(machines)
        listed = ", ".join(f"{tag} ({name})" for tag, name in self.machines)
        which = f"say which machine it is, by the tag on it: {listed}"
        first = " ".join(make_safe)
        super().__init__(f"{first} Then {which}" if first else which)


class DoubleBooking(Conflict):
    """One technician would be in two places at once; every pair found is listed."""

    def __init__(self, overlaps: tuple[Overlap, ...]) -> None:
        self.overlaps = overlaps
        pairs = "; ".join(f"{o.first} and {o.second} of {o.technician}" for o in overlaps)
        super().__init__(f"appointments would overlap: {pairs or 'the database refused them'}")


class SiteTaken(Conflict):
    """Two technicians would be at one site at once; the times are local.

    Without arguments when only the database has noticed.
    """

    def __init__(
        self,
        *,
        site: str | None = None,
        technician: str | None = None,
        starts_at: datetime | None = None,
        ends_at: datetime | None = None,
        instead: str = "look who else goes there, then choose another time",
    ) -> None:
        self.site = site
        self.technician = technician
        self.starts_at = starts_at
        self.ends_at = ends_at
        there = "another technician is at the site then"
        if starts_at is not None and ends_at is not None:
            there = f"{technician} is at {site} from {starts_at:%Y-%m-%d %H:%M} to {ends_at:%H:%M}"
        super().__init__(
            f"{there}, and two never work at one site at once, since one may switch on what the "
            f"other has made safe: {instead}"
        )


class StaleVersion(Conflict):
    """Someone else changed the record in the meantime: read it again, then repeat the change."""


class UnknownReference(InvalidInput):
    """Something is named that does not exist; ``known`` lists what could have been meant."""

    def __init__(self, kind: str, key: str, known: Iterable[str]) -> None:
        self.kind = kind
        self.key = key
        self.known = tuple(sorted(known))
        super().__init__(f"no {kind} {key!r}; known: {', '.join(self.known) or 'none'}")


class MoveNotAllowed(SteamroundError):
    """An appointment cannot go from ``before`` to ``after``; ``allowed`` lists where it can go."""

    def __init__(self, before: str, after: str, allowed: Iterable[str]) -> None:
        self.before = before
        self.after = after
        self.allowed = tuple(sorted(allowed))
        super().__init__(
            f"an appointment that is {before} cannot become {after}; "
            f"it can become {' or '.join(self.allowed) or 'nothing else'}"
        )


class InvalidParams(InvalidInput):
    """A setting of the route search is out of its range; ``name`` is the setting."""

    def __init__(self, name: str, message: str) -> None:
        self.name = name
        super().__init__(f"{name} {message}")


class PlanOutdated(Conflict):
    """A draft can no longer be published because of what happened since; make a new one."""

    def __init__(self, plan: str, what: str) -> None:
        self.plan = plan
        super().__init__(f"draft {plan} is out of date: {what}. Make a new plan and publish that")


class DecisionBeyondLimit(InvalidInput):
    """The company's own interval is longer than the law or the maker allows."""

    def __init__(self, rule: str, months: float, limit_months: float, authority: str) -> None:
        self.rule = rule
        self.months = months
        self.limit_months = limit_months
        self.authority = authority
        super().__init__(
            f"{rule} may wait at most {limit_months:g} months, set by the {authority}; "
            f"{months:g} were decided: shorten the decision"
        )


class InvalidCompany(InvalidInput):
    """The files of a company break their rules; every wrong line is listed, nothing was stored."""

    def __init__(self, flaws: tuple[Flaw, ...]) -> None:
        super().__init__(flaws)
        self.flaws = flaws

    def __str__(self) -> str:
        return "\n".join(map(str, self.flaws))


class NobodyWorks(Impossible):
    """No technician works within two months from ``first_day``; check shifts and absences."""

    def __init__(self, first_day: date) -> None:
        self.first_day = first_day
        super().__init__(
            f"nobody works within two months from {first_day}: check shifts and absences"
        )


class UnreadableCalendar(InvalidInput):
    """A calendar from outside is refused as a whole; ``code`` says why, in one word."""

    def __init__(self, code: str, message: str) -> None:
        self.code = code
        super().__init__(message)


class ReadTooSoon(Conflict):
    """A technician's calendar was read a moment ago; ``wait`` is how long the next one has to."""

    def __init__(self, technician: str, wait: timedelta) -> None:
        self.technician = technician
        self.wait = wait
        seconds = ceil(wait.total_seconds())
        super().__init__(f"a calendar of {technician} was read a moment ago: wait {seconds} s")


class UnreadableComponent(InvalidInput):
    """One component of a calendar from outside is left out; ``reason`` says why."""

    def __init__(self, reason: str) -> None:
        self.reason = reason
        super().__init__(reason)


class TooFewFailures(Impossible):
    """So few parts have failed that no law of life can be fitted without a prior."""

    def __init__(self, failures: int) -> None:
        self.failures = failures
        super().__init__(f"{failures} failures are too few to fit a law of life to")


class TooShortlyWatched(Impossible):
    """A machine was down for as long as its records reach back, or they begin today."""

    def __init__(self, machine: str) -> None:
        self.machine = machine
        super().__init__(
            f"machine {machine!r} has not been watched for long enough: ask again in some days"
        )


class NeverRenewed(Impossible):
    """No rule of the catalogue renews such parts, so there is no age to renew them at."""

    def __init__(self, part_type: str) -> None:
        self.part_type = part_type
        super().__init__(
            f"no rule of the catalogue rebuilds or replaces {part_type!r}: none is to be timed"
        )


class TimeTaken(Conflict):
    """A time cannot be kept any more, or never could: ask for offers again."""

    def __init__(self, at: datetime) -> None:
        self.at = at
        super().__init__(f"nobody can come at {at:%Y-%m-%d %H:%M}Z any more: ask for offers again")


class JustTaken(TimeTaken):
    """The time was free when it was looked for; who looks again may find somebody else."""


class TooEarly(Conflict):
    """A visit would be begun before its day; ``begins`` is from when it may be, both as local."""

    def __init__(self, starts_at: datetime, begins: datetime) -> None:
        self.starts_at = starts_at
        self.begins = begins
        super().__init__(
            f"the visit is planned for {starts_at:%Y-%m-%d %H:%M} and may be begun from "
            f"{begins:%Y-%m-%d %H:%M}, local time: have the office move it if you are there already"
        )


class HoldOver(Conflict):
    """A hold has ended: ``state`` says how."""

    def __init__(self, hold: str, state: str) -> None:
        self.hold = hold
        self.state = state
        super().__init__(f"hold {hold} is {state}: ask for offers again and hold another time")


class TooManyHolds(Conflict):
    """A client holds as many times as they may: book or release one first."""

    def __init__(self, limit: int) -> None:
        self.limit = limit
        super().__init__(f"{limit} times are held already: book or release one of them first")


class NoticeTooShort(Conflict):
    """It is too late for a client to change an appointment by themselves."""

    def __init__(self, starts_at: datetime, notice_minutes: int) -> None:
        self.starts_at = starts_at
        self.notice_minutes = notice_minutes
        super().__init__(
            f"the appointment at {starts_at:%Y-%m-%d %H:%M}Z could be changed until "
            f"{notice_minutes} minutes before: call the office"
        )


class HeldForClient(Conflict):
    """A technician's time is held for a client who may book it until ``expires_at``."""

    def __init__(self, technician: str, starts_at: datetime, expires_at: datetime) -> None:
        self.technician = technician
        self.starts_at = starts_at
        self.expires_at = expires_at
        super().__init__(
            f"{technician} is held for a client at {starts_at:%Y-%m-%d %H:%M}Z: wait until "
            f"{expires_at:%H:%M}Z or release the hold"
        )


class PriceNotAccepted(Conflict):
    """Work that no contract covers waits until the client has accepted its price."""

    def __init__(self, visit: str) -> None:
        self.visit = visit
        super().__init__(
            f"visit {visit} is not covered by a contract: accept the price of its callback first"
        )


class PriceChanged(Conflict):
    """Somebody accepts another price than the one that is asked."""

    def __init__(self, amount_minor: int, currency: str) -> None:
        self.amount_minor, self.currency = amount_minor, currency
        super().__init__(
            f"the price is {amount_minor} minor units of {currency}: look at it again, "
            "then accept that amount"
        )
