"""What is known about the trade: part types, service rules, set-points, access, skills, symptoms.

Everything here is a value read once from the catalogue files and never changed afterwards. The
engine asks it questions; it holds no machine and no date. Each value checks its own numbers;
whether what one names exists among the others is the question of ``catalogue_links``.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import pairwise
from math import inf

from scheduler.errors import Flaw, InvalidCatalogue
from scheduler.translations import Translation, Translator, translator_between


class EquipmentKind(StrEnum):
    """What a serviced unit is."""

    ESPRESSO_MACHINE = "espresso_machine"
    GRINDER = "grinder"
    WATER_FILTER = "water_filter"


class BoilerLayout(StrEnum):
    """How an espresso machine heats its water."""

    SEPARATE_BOILERS = "separate_boilers"  # one boiler for steam, another for brewing
    HEAT_EXCHANGER = "heat_exchanger"  # brew water passes a tube inside the steam boiler


class Dosing(StrEnum):
    """How a dose of brew water is ended."""

    VOLUMETRIC = "volumetric"  # a flow meter per group and a control board
    SEMI_AUTOMATIC = "semi_automatic"  # the barista ends it; the machine controls the level only


class Action(StrEnum):
    """What a service rule does to its part."""

    CHECK = "check"
    ADJUST = "adjust"
    CLEAN = "clean"
    REBUILD = "rebuild"
    REPLACE = "replace"
    INSPECT = "inspect"  # a statutory examination by a competent person
    TEST = "test"


class MachineState(StrEnum):
    """The state the machine has to be in while the work is done."""

    LIVE = "live"  # in service; the café goes on selling
    ISOLATED_HOT = "isolated_hot"  # out of service, hot, under pressure or heating up
    DEAD = "dead"  # isolated and proved dead, still hot and under pressure: electrical work only
    COLD = "cold"  # off, cooled down, depressurised and electrically dead


class ReadWhen(StrEnum):
    """When in a visit a value can be read."""

    FOUND_AND_LEFT = "found_and_left"  # on the running machine, before and after the work
    LEFT = "left"  # on the running machine, after the work only
    AT_WORK = "at_work"  # while the work that asks for it is done
    REHEAT = "reheat"  # while the machine heats up


class Authority(StrEnum):
    """Who asks for the work; the order is the order of weight."""

    STATUTE = "statute"  # law: its latest date is hard and never moved by us
    MAKER = "maker"  # the maker's instruction or warranty: a hard limit too
    PRACTICE = "practice"  # what the company considers good practice


class Counter(StrEnum):
    """What a meter counts; the unit is part of the name."""

    LITRES = "litres"
    DRINKS = "drinks"
    BREW_CYCLES = "brew_cycles"
    KILOGRAMS = "kilograms"


def _refuse(*flaws: Flaw | None) -> None:
    """Raise one error with all the flaws found, none when there are none."""
    found = tuple(flaw for flaw in flaws if flaw)
    if found:
        raise InvalidCatalogue(found)


def _flaw_if(wrong: bool, path: str, message: str) -> Flaw | None:
    return Flaw(path=path, message=message) if wrong else None


def _positive(path: str, value: float) -> Flaw | None:
    return _flaw_if(not value > 0, path, f"must be > 0, got {value}")


def _not_negative(path: str, value: float) -> Flaw | None:
    return _flaw_if(not value >= 0, path, f"must be >= 0, got {value}")


def _share(path: str, value: float) -> Flaw | None:
    return _flaw_if(not 0 <= value <= 1, path, f"must be between 0 and 1, got {value}")


def _written(path: str, value: str) -> Flaw | None:
    return _flaw_if(not value.strip(), path, "must not be empty")


def _quantities(path: str, quantities: Mapping[str, int]) -> Iterable[Flaw | None]:
    return (_positive(f"{path}.{key}", quantity) for key, quantity in quantities.items())


@dataclass(frozen=True, slots=True, kw_only=True)
class Skill:
    """Something a technician must be allowed and able to do."""

    id: str
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedLife:
    """How long a part is thought to last at standard duty, until the company's own have failed.

    A Weibull law: ``shape`` above 1 wears out, and 63.2 % have failed by ``months``.
    """

    shape: float
    months: float
    source: str

    def __post_init__(self) -> None:
        _refuse(
            _positive("shape", self.shape),
            _positive("months", self.months),
            _written("source", self.source),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PartType:
    """A part as it is ordered. ``price_minor`` is in minor units of the company's currency."""

    id: str
    name: str
    price_minor: int
    lead_days: int
    source: str
    superseded_by: str | None = None
    superseded_because: str | None = None
    life: ExpectedLife | None = None

    def __post_init__(self) -> None:
        _refuse(
            _not_negative("price_minor", self.price_minor),
            _not_negative("lead_days", self.lead_days),
            _flaw_if(
                (self.superseded_by is None) != (self.superseded_because is None),
                "superseded_because",
                "and superseded_by come together: clients ask for the reason",
            ),
            _written("source", self.source),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class AppliesTo:
    """Which builds a rule or a fitted position is for; an empty set means no restriction."""

    kinds: frozenset[EquipmentKind] = frozenset()
    boiler_layouts: frozenset[BoilerLayout] = frozenset()
    dosings: frozenset[Dosing] = frozenset()
    features: frozenset[str] = frozenset()  # all of these must be present
    without_features: frozenset[str] = frozenset()  # none of these may be present

    def __post_init__(self) -> None:
        both = sorted(self.features & self.without_features)
        _refuse(
            _flaw_if(bool(both), "without_features", f"excludes what features asks for: {both}")
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """How often: by the calendar, by a counter, or whichever comes first.

    Attributes
    ----------
    months_by_drinks : (drinks a day, months), the points between which the interval is
        interpolated; one point means it does not depend on duty. More drinks never mean more
        months.
    counter, counter_limit : the counter and how much of it may pass.
    capacity_dh_litres : in place of ``counter_limit`` for a cartridge whose litres depend on the
        water: litres it treats, times the degrees of German hardness it takes out.
    left_dh : hardness the treated water keeps on purpose, by a bypass.
    """

    months_by_drinks: tuple[tuple[float, float], ...] = ()
    counter: Counter | None = None
    counter_limit: float | None = None
    capacity_dh_litres: float | None = None
    left_dh: float = 0.0

    def __post_init__(self) -> None:
        points = self.months_by_drinks
        limits = [x for x in (self.counter_limit, self.capacity_dh_litres) if x is not None]
        by_litres = self.counter is Counter.LITRES
        _refuse(
            _flaw_if(
                any(drinks <= 0 or months <= 0 for drinks, months in points),
                "months_by_drinks",
                f"drinks and months must be > 0, got {points}",
            ),
            _flaw_if(
                any(a[0] >= b[0] for a, b in pairwise(points)),
                "months_by_drinks",
                f"drinks must rise from point to point, got {points}",
            ),
            _flaw_if(
                any(a[1] < b[1] for a, b in pairwise(points)),
                "months_by_drinks",
                f"more drinks must not mean more months, got {points}",
            ),
            _flaw_if(
                len(limits) != (0 if self.counter is None else 1),
                "counter_limit",
                "a counter needs one limit, a limit needs a counter: "
                f"got counter {self.counter} and limits {limits}",
            ),
            _flaw_if(
                any(limit <= 0 for limit in limits), "counter_limit", f"must be > 0, got {limits}"
            ),
            _flaw_if(
                self.capacity_dh_litres is not None and not by_litres,
                "capacity_dh_litres",
                f"needs the counter litres, got {self.counter}",
            ),
            _not_negative("left_dh", self.left_dh),
        )

    @property
    def is_empty(self) -> bool:
        """Whether it never makes anything due."""
        return not self.months_by_drinks and self.counter is None


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """The longest a rule's work may ever wait, whatever anybody decides."""

    months: float
    authority: Authority
    source: str

    def __post_init__(self) -> None:
        _refuse(
            _positive("months", self.months),
            _flaw_if(
                self.authority is Authority.PRACTICE,
                "authority",
                "must be statute or maker: practice sets no limit",
            ),
            _written("source", self.source),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class AccessStep:
    """Something that must be opened or removed before a part can be reached, and closed again."""

    id: str
    name: str
    open_minutes: float
    close_minutes: float
    requires: tuple[str, ...] = ()  # other access steps that come first
    state: MachineState = MachineState.LIVE  # the state it needs
    holds_water: bool = False  # back before water comes; covers stay off until no leak shows
    applies_to: AppliesTo = AppliesTo()  # builds that have it; the others need it not

    def __post_init__(self) -> None:
        _refuse(
            _not_negative("open_minutes", self.open_minutes),
            _not_negative("close_minutes", self.close_minutes),
            _flaw_if(self.id in self.requires, "requires", f"{self.id} cannot require itself"),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """What is taken apart once at each place, whatever is done there; ``minutes`` both ways."""

    id: str
    name: str
    minutes: float

    def __post_init__(self) -> None:
        _refuse(_not_negative("minutes", self.minutes))


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """A warning shown wherever the work it belongs to is described."""

    id: str
    text: str

    def __post_init__(self) -> None:
        _refuse(_written("text", self.text))


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceRule:
    """One piece of recurring work on one type of part, or on the whole machine.

    Attributes
    ----------
    part_type : the part it is done to; None means the machine as a whole.
    early_share, late_share : how far before and after the target the work may be done, as shares
        of the interval. A hard date leaves no room after it.
    margin_days : how long before a hard date the work is aimed at.
    limit : the longest the work may wait even where the interval is only a default. Without one,
        the interval of a statute or a maker is the limit itself.
    from_age_years : the work starts when the machine is that old.
    every_visit : done at each planned visit whatever the date (it never causes one).
    minutes : hands-on minutes, without access, opening, cool-down and reheat.
    state : the state of the machine; ``live_with`` names a feature, a shut-off in front of the
        part, that lets it be done live. Where the machine is taken further for other work, it is
        done then.
    opening : what is taken apart at its place; rules of one opening at one place are one step.
    during_reheat : the work can only be done, or is best done, while the machine heats up again.
    consumes : part type -> quantity used up each time.
    follows : rules after which this one falls due, counted from the day the other was done; such
        a rule never falls due by itself.
    restarts : rules on the same part that this work makes good as well, so that their intervals
        begin again (a new valve needs no rebuild).
    alone : never shares a visit with other work (statutory examinations).
    """

    id: str
    name: str
    action: Action
    authority: Authority
    minutes: float
    source: str
    interval: Interval = Interval()
    part_type: str | None = None
    applies_to: AppliesTo = AppliesTo()
    early_share: float = 0.25
    late_share: float = 0.15
    margin_days: int = 0
    limit: Limit | None = None
    from_age_years: int = 0
    every_visit: bool = False
    state: MachineState = MachineState.COLD
    live_with: str | None = None
    during_reheat: bool = False
    access: tuple[str, ...] = ()
    opening: str | None = None
    skills: frozenset[str] = frozenset()
    consumes: Mapping[str, int] = field(default_factory=dict)
    tools: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    readings: tuple[str, ...] = ()  # set-points to read before and after
    steps: tuple[str, ...] = ()  # the work in words, in order
    follows: tuple[str, ...] = ()
    restarts: tuple[str, ...] = ()
    alone: bool = False

    def __post_init__(self) -> None:
        longest = max((months for _, months in self.interval.months_by_drinks), default=0.0)
        limit_months = self.limit.months if self.limit else inf
        _refuse(
            _positive("minutes", self.minutes),
            _written("source", self.source),
            _share("early_share", self.early_share),
            _share("late_share", self.late_share),
            _not_negative("margin_days", self.margin_days),
            _not_negative("from_age_years", self.from_age_years),
            _flaw_if(
                self.interval.is_empty and not self.every_visit,
                "interval",
                "must say when: months_by_drinks, a counter, or every_visit = true",
            ),
            _flaw_if(
                not self.interval.is_empty and self.every_visit,
                "interval",
                "must be left out when every_visit = true",
            ),
            _flaw_if(
                longest > limit_months,
                "limit.months",
                f"must be at least the longest interval of {longest}, got {limit_months}",
            ),
            _flaw_if(
                self.authority is Authority.STATUTE and not self.alone,
                "alone",
                "must be true: statutory work never shares a visit with other work",
            ),
            _flaw_if(
                self.authority is Authority.STATUTE and self.interval.counter is not None,
                "interval",
                f"of a statute goes by the calendar, got the counter {self.interval.counter}",
            ),
            _flaw_if(
                self.during_reheat and self.state is not MachineState.ISOLATED_HOT,
                "state",
                f"must be isolated_hot for work done during the reheat, got {self.state}",
            ),
            _flaw_if(
                self.id in (*self.follows, *self.restarts),
                "follows" if self.id in self.follows else "restarts",
                f"{self.id} cannot name itself",
            ),
            *_quantities("consumes", self.consumes),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SetPoint:
    """A reading and the range it must lie in, for the builds it applies to.

    ``too_high`` and ``too_low`` are the rules that put it right, what is tried first listed first;
    without them it is a rule that reads it. ``made_safe_by`` are all the rules that follow when it
    was beyond a limit at which the machine is stopped.
    """

    id: str
    name: str
    unit: str
    low: float
    high: float
    source: str
    applies_to: AppliesTo = AppliesTo()
    read: ReadWhen = ReadWhen.FOUND_AND_LEFT
    stop_below: float | None = None  # beyond these the machine is stopped and made safe
    stop_above: float | None = None
    possible_low: float | None = None  # beyond these no instrument shows it: another unit, a slip
    possible_high: float | None = None
    too_high: tuple[str, ...] = ()
    too_low: tuple[str, ...] = ()
    made_safe_by: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        lows = [each for each in (self.low, self.stop_below) if each is not None]
        highs = [each for each in (self.high, self.stop_above) if each is not None]
        _refuse(
            _written("unit", self.unit),
            _flaw_if(
                self.possible_low is not None and not self.possible_low <= min(lows),
                "possible_low",
                f"must be at most {min(lows)}, got {self.possible_low}",
            ),
            _flaw_if(
                self.possible_high is not None and not self.possible_high >= max(highs),
                "possible_high",
                f"must be at least {max(highs)}, got {self.possible_high}",
            ),
            _written("source", self.source),
            _flaw_if(
                not self.low < self.high, "high", f"must be above low {self.low}, got {self.high}"
            ),
            _flaw_if(
                self.stop_below is not None and not self.stop_below <= self.low,
                "stop_below",
                f"must be at most low {self.low}, got {self.stop_below}",
            ),
            _flaw_if(
                self.stop_above is not None and not self.stop_above >= self.high,
                "stop_above",
                f"must be at least high {self.high}, got {self.stop_above}",
            ),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A likely cause of trouble and what mending it takes."""

    id: str
    name: str
    per_machine_year: float  # how often, per machine and year, for the builds it applies to
    minutes: float
    source: str
    applies_to: AppliesTo = AppliesTo()
    part_type: str | None = None
    skills: frozenset[str] = frozenset()
    parts: Mapping[str, int] = field(default_factory=dict)
    phone_fix: str | None = None
    state: MachineState = MachineState.COLD
    cautions: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        _refuse(
            _positive("per_machine_year", self.per_machine_year),
            _positive("minutes", self.minutes),
            _written("source", self.source),
            *_quantities("parts", self.parts),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Symptom:
    """What a caller sees. ``likelihoods`` maps fault id -> probability of the symptom given it."""

    id: str
    name: str
    question: str
    likelihoods: Mapping[str, float]
    background: float  # probability of the symptom under any fault not listed
    words: tuple[str, ...] = ()  # words in free text that hint at it
    red_flag: bool = False  # danger: top urgency and make-safe advice whatever the rest says
    make_safe: str | None = None
    leave_at_once: bool = False  # its advice stands alone: no switch may be touched for another's
    stops_service: bool = False  # the café cannot sell while it lasts
    of_one_group: bool = False  # of several groups the others go on: then it does not stop service
    nuisance: bool = False  # looks or comfort only: the café sells as well and as fast as ever

    def __post_init__(self) -> None:
        _refuse(
            _written("question", self.question),
            _flaw_if(
                not 0 < self.background < 1,
                "background",
                f"must lie between 0 and 1, got {self.background}",
            ),
            *(
                _flaw_if(
                    not 0 <= p <= 1, f"likelihoods.{fault}", f"must be between 0 and 1, got {p}"
                )
                for fault, p in self.likelihoods.items()
            ),
            _flaw_if(
                self.red_flag and not self.make_safe,
                "make_safe",
                "must say what to do at once: the symptom is a red flag",
            ),
            _flaw_if(
                self.leave_at_once and not self.red_flag,
                "leave_at_once",
                "is for a red flag only",
            ),
            _flaw_if(
                self.nuisance and (self.red_flag or self.stops_service),
                "nuisance",
                "cannot be said of what is dangerous or stops service",
            ),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Position:
    """A place for a part in a build: how the fitted parts of a machine follow from its build.

    ``place`` is the name a technician would use ("steam boiler"); with ``per_group`` the number of
    the group follows from the build.
    """

    part_type: str
    place: str = "machine"
    applies_to: AppliesTo = AppliesTo()
    per_group: bool = False
    quantity: int = 1

    def __post_init__(self) -> None:
        _refuse(_written("place", self.place), _positive("quantity", self.quantity))


@dataclass(frozen=True, slots=True, kw_only=True)
class Thermal:
    """How long a build takes to cool down, to drain and to come back to temperature, in minutes.

    Where several suit a build, the first in the catalogue counts.
    """

    applies_to: AppliesTo
    cool_down_minutes: float
    reheat_minutes: float
    source: str

    def __post_init__(self) -> None:
        _refuse(
            _not_negative("cool_down_minutes", self.cool_down_minutes),
            _not_negative("reheat_minutes", self.reheat_minutes),
            _written("source", self.source),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Feature:
    """Something a build may or may not have that changes what is done to it."""

    id: str
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class UsePerDrink:
    """What one average drink adds to a counter: the way from stated drinks to a rate of use."""

    counter: Counter
    amount: float
    source: str

    def __post_init__(self) -> None:
        _refuse(_positive("amount", self.amount), _written("source", self.source))


@dataclass(frozen=True, slots=True, kw_only=True)
class Catalogue:
    """All of it, by id. Prices and money throughout are in minor units of one currency."""

    skills: Mapping[str, Skill]
    part_types: Mapping[str, PartType]
    rules: Mapping[str, ServiceRule]
    set_points: Mapping[str, SetPoint]
    access_steps: Mapping[str, AccessStep]
    cautions: Mapping[str, Caution]
    faults: Mapping[str, Fault]
    symptoms: Mapping[str, Symptom]
    positions: tuple[Position, ...]
    thermals: tuple[Thermal, ...]
    features: Mapping[str, Feature] = field(default_factory=dict)
    openings: Mapping[str, Opening] = field(default_factory=dict)
    use_per_drink: tuple[UsePerDrink, ...] = ()
    translations: Mapping[str, Translation] = field(default_factory=dict)
    currency: str = ""  # the company's, for sentences; ISO 4217
    rules_by_part: Mapping[str | None, tuple[ServiceRule, ...]] = field(
        init=False, repr=False, compare=False
    )
    _translators: dict[str, Translator] = field(
        init=False, repr=False, compare=False, default_factory=dict
    )
    # filled in as they are asked for
    access_states: dict[str, MachineState] = field(
        init=False, repr=False, compare=False, default_factory=dict
    )

    def __post_init__(self) -> None:
        by_part: dict[str | None, tuple[ServiceRule, ...]] = {}
        for rule in self.rules.values():
            by_part[rule.part_type] = (*by_part.get(rule.part_type, ()), rule)
        object.__setattr__(self, "rules_by_part", by_part)

    @property
    def part_names(self) -> Mapping[str, str]:
        """Part type -> its name."""
        return {key: part.name for key, part in self.part_types.items()}

    def minutes_alone(self, rule: ServiceRule) -> float:
        """Return the hands-on minutes of a rule done by itself at one place, its opening too."""
        opened = self.openings[rule.opening].minutes if rule.opening else 0.0
        return rule.minutes + opened

    def translator(self, language: str) -> Translator:
        """Return what says the catalogue's texts, and what is made of them, in a language.

        Texts nobody has translated, and any language the catalogue does not have, stay English.
        """
        if language not in self._translators:
            translation = self.translations.get(language, Translation(id=language))
            tables = {table: getattr(self, table) for table, _ in translation.tables()}
            self._translators[language] = translator_between(tables, translation)
        return self._translators[language]
