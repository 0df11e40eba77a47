"""What is known about the trade: part types, service rules, set-points, access, skills, symptoms.

Everything here is a value read once from the catalogue files and never changed afterwards. The
engine asks it questions; it holds no machine and no date.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


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
    COLD = "cold"  # off, cooled down, depressurised and electrically dead


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Skill:
    """Something a technician must be allowed and able to do."""

    id: str
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PartType:
    """A part as it is ordered. ``price_minor`` is in minor units of the company's currency."""

    id: str
    name: str
    price_minor: int
    lead_days: int
    source: str
    superseded_by: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AppliesTo:
    """Which builds a rule or a fitted position is for; an empty set means no restriction."""

    kinds: frozenset[EquipmentKind] = frozenset()
    boiler_layouts: frozenset[BoilerLayout] = frozenset()
    dosings: frozenset[Dosing] = frozenset()
    features: frozenset[str] = frozenset()  # all of these must be present
    without_features: frozenset[str] = frozenset()  # none of these may be present


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """How often: by the calendar, by a counter, or whichever comes first.

    ``months_by_drinks`` maps drinks a day to months, the anchor points between which the interval
    is interpolated; one point means the interval does not depend on duty.
    """

    months_by_drinks: tuple[tuple[float, float], ...] = ()
    counter: Counter | None = None
    counter_limit: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AccessStep:
    """Something that must be opened or removed before a part can be reached, and closed again."""

    id: str
    name: str
    open_minutes: float
    close_minutes: float
    requires: tuple[str, ...] = ()  # other access steps that come first
    state: MachineState = MachineState.LIVE  # the state it needs


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """A warning shown wherever the work it belongs to is described."""

    id: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceRule:
    """One piece of recurring work on one type of part, or on the whole machine.

    Attributes
    ----------
    part_type : the part it is done to; None means the machine as a whole.
    early_share, late_share : how far before and after the target the work may be done, as shares
        of the interval.
    every_visit : done at each planned visit whatever the date (it never causes one).
    minutes : hands-on minutes, without access, cool-down and reheat.
    state : the state of the machine; ``live_with`` names a feature that lets it be done live.
    during_reheat : the work can only be done, or is best done, while the machine heats up again.
    consumes : part type -> quantity used up each time.
    alone : never shares a visit with other work (statutory examinations).
    """

    id: str
    name: str
    action: Action
    authority: Authority
    interval: Interval
    minutes: float
    source: str
    part_type: str | None = None
    applies_to: AppliesTo = AppliesTo()
    early_share: float = 0.25
    late_share: float = 0.15
    every_visit: bool = False
    state: MachineState = MachineState.COLD
    live_with: str | None = None
    during_reheat: bool = False
    access: tuple[str, ...] = ()
    skills: frozenset[str] = frozenset()
    consumes: Mapping[str, int] = field(default_factory=dict)
    tools: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    readings: tuple[str, ...] = ()  # set-points to read before and after
    steps: tuple[str, ...] = ()  # the work in words, in order
    follows: tuple[str, ...] = ()  # rules that fall due whenever one of these was done
    alone: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SetPoint:
    """A reading and the range it must lie in, for the builds it applies to."""

    id: str
    name: str
    unit: str
    low: float
    high: float
    source: str
    applies_to: AppliesTo = AppliesTo()
    stop_below: float | None = None  # beyond these the machine is stopped and made safe
    stop_above: float | None = None


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
    stops_service: bool = False  # the café cannot sell while it lasts


@dataclass(frozen=True, slots=True, kw_only=True)
class Position:
    """A place for a part in a build: how the fitted parts of a machine follow from its build."""

    part_type: str
    applies_to: AppliesTo = AppliesTo()
    per_group: bool = False
    quantity: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Thermal:
    """How long a build takes to cool down, to drain and to come back to temperature, in minutes."""

    applies_to: AppliesTo
    cool_down_minutes: float
    reheat_minutes: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Catalogue:
    """All of it, by id."""

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
