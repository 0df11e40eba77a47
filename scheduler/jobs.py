"""A piece of work at one machine: what a rule or a fault asks for, with the access it needs."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from scheduler.catalogue import Action, Catalogue, EquipmentKind, MachineState, ServiceRule
from scheduler.errors import InvalidInput, UnknownReference
from scheduler.machines import Build, places_in

_LOOKS_ONLY: Final = (Action.CHECK, Action.TEST, Action.ADJUST)

STATE_RANK: Final = {state: rank for rank, state in enumerate(MachineState)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One piece of work at one machine, whatever asked for it.

    ``tasks`` are the ids of what it serves, none for work done at every visit; ``places`` where on
    the machine. ``state`` is the strictest of the work's own and that of the access it needs.
    """

    name: str
    minutes: float
    state: MachineState
    during_reheat: bool = False
    shut_off: bool = False  # live only thanks to a shut-off in front of the part
    looks_only: bool = False  # nothing is taken apart: it comes before what is
    comes_first: bool = False  # the other jobs in its state at the machine wait for it
    access: tuple[str, ...] = ()  # closed under "requires", what comes first listed first
    opening: str | None = None  # once at each of the places, its minutes not counted in ``minutes``
    tasks: tuple[str, ...] = ()
    places: tuple[str, ...] = ()
    name_says_where: bool = False
    skills: frozenset[str] = frozenset()
    parts: Mapping[str, int] = field(default_factory=dict)
    tools: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()  # ids
    readings: tuple[str, ...] = ()  # ids
    details: tuple[str, ...] = ()


def strictest(states: Iterable[MachineState]) -> MachineState:
    """Return the state furthest from being in service, LIVE when there are none."""
    return max(states, key=STATE_RANK.__getitem__, default=MachineState.LIVE)


def access_needed(access: Iterable[str], catalogue: Catalogue) -> tuple[str, ...]:
    """Return the access steps with all that they require, what is opened first listed first.

    Raises
    ------
    UnknownReference
        When an access step is not in the catalogue.
    InvalidInput
        When access steps require each other.
    """
    found: dict[str, None] = {}

    def walk(step: str, above: tuple[str, ...]) -> None:
        if step in above:
            raise InvalidInput(f"access steps require each other: {', '.join((*above, step))}")
        if step in found:
            return
        if step not in catalogue.access_steps:
            raise UnknownReference("access step", step, catalogue.access_steps)
        for required in catalogue.access_steps[step].requires:
            walk(required, (*above, step))
        found[step] = None

    for step in access:
        walk(step, ())
    return tuple(found)


def access_state(step: str, catalogue: Catalogue) -> MachineState:
    """Return the state a machine must be in before an access step and all it requires are open."""
    known = catalogue.access_states
    if step not in known:
        needed = access_needed((step,), catalogue)
        known[step] = strictest(catalogue.access_steps[each].state for each in needed)
    return known[step]


def rule_state(rule: ServiceRule, build: Build, catalogue: Catalogue) -> MachineState:
    """Return the state a machine of this build must be in for a rule, its access included."""
    own = MachineState.LIVE if rule.live_with in build.features else rule.state
    access = _access_to(rule, build, catalogue)
    state = strictest([own, *(access_state(step, catalogue) for step in access)])
    if state is MachineState.DEAD and build.kind is not EquipmentKind.ESPRESSO_MACHINE:
        return MachineState.COLD  # nothing in it stays hot or under pressure
    return state


def _access_to(rule: ServiceRule, build: Build, catalogue: Catalogue) -> tuple[str, ...]:
    """Access steps of a rule that a build has, with what they require, opened first listed first.

    Raises
    ------
    UnknownReference
        When an access step is not in the catalogue.
    """
    return tuple(
        step
        for step in access_needed(rule.access, catalogue)
        if build.suits(catalogue.access_steps[step].applies_to)
    )


def job_for_rule(
    rule: ServiceRule,
    build: Build,
    catalogue: Catalogue,
    *,
    times: int = 1,
    tasks: tuple[str, ...] = (),
    places: tuple[str, ...] = (),
) -> Job:
    """Return a rule done ``times`` over at one machine as one job.

    Raises
    ------
    InvalidInput
        When the rule is done while the machine heats up but needs access that is only safe cold.
    """
    state = rule_state(rule, build, catalogue)
    if rule.during_reheat and STATE_RANK[state] > STATE_RANK[MachineState.ISOLATED_HOT]:
        raise InvalidInput(f"rule {rule.id} is for the reheat, but its access needs a cold machine")
    return Job(
        name=rule.name,
        minutes=rule.minutes * times,
        state=state,
        during_reheat=rule.during_reheat,
        shut_off=rule.live_with in build.features and state is MachineState.LIVE,
        looks_only=rule.action in _LOOKS_ONLY,
        access=_access_to(rule, build, catalogue),
        opening=rule.opening,
        tasks=tasks,
        places=places,
        skills=rule.skills,
        parts={part: quantity * times for part, quantity in rule.consumes.items()},
        tools=rule.tools,
        cautions=rule.cautions,
        readings=readings_for(rule.readings, build, catalogue),
        details=rule.steps,
    )


def readings_for(readings: Iterable[str], build: Build, catalogue: Catalogue) -> tuple[str, ...]:
    """Return the readings that mean something for a build.

    Raises
    ------
    UnknownReference
        When a reading has no set-point in the catalogue.
    """
    for reading in readings:
        if reading not in catalogue.set_points:
            raise UnknownReference("set-point", reading, catalogue.set_points)
    return tuple(r for r in readings if build.suits(catalogue.set_points[r].applies_to))


def caution_texts(cautions: Iterable[str], catalogue: Catalogue) -> tuple[str, ...]:
    """Return the texts of cautions by id.

    Raises
    ------
    UnknownReference
        When a caution is not in the catalogue.
    """
    texts = []
    for caution in cautions:
        if caution not in catalogue.cautions:
            raise UnknownReference("caution", caution, catalogue.cautions)
        texts.append(catalogue.cautions[caution].text)
    return tuple(texts)


def every_visit_jobs(
    build: Build, level: MachineState, catalogue: Catalogue, *, without: Iterable[str] = ()
) -> tuple[Job, ...]:
    """Return what is done at every planned visit to such a machine.

    Only what the machine is prepared for anyway: checks that need it cold are no reason to shut
    down a machine that is there for live work. ``level`` is the strictest state the visit brings
    about, ``without`` the rules that are done already.
    """
    done = set(without)
    rules = [
        rule
        for rule in catalogue.rules.values()
        if rule.every_visit
        and rule.id not in done
        and build.suits(rule.applies_to)
        and STATE_RANK[rule_state(rule, build, catalogue)] <= STATE_RANK[level]
    ]
    if not rules:
        return ()
    places: dict[str | None, tuple[str, ...]] = {None: ("",)}
    for place in places_in(build, catalogue):
        places[place.part_type] = (*places.get(place.part_type, ()), place.position)
    return tuple(
        job_for_rule(
            rule,
            build,
            catalogue,
            times=len(places[rule.part_type]),
            places=tuple(filter(None, places[rule.part_type])),
        )
        for rule in rules
        if rule.part_type in places
    )


def joined_by_opening(jobs: Sequence[Job]) -> list[Job]:
    """Return the jobs with those that need the same thing taken apart made one."""
    joined: list[Job] = []
    for job in jobs:
        same = [n for n, other in enumerate(joined) if _one_step(job, other)]
        if same:
            joined[same[0]] = _together(joined[same[0]], job)
        else:
            joined.append(job)
    return joined


def _one_step(job: Job, other: Job) -> bool:
    return job.opening is not None and (job.opening, job.state) == (other.opening, other.state)


def _together(job: Job, other: Job) -> Job:
    """Both in one step; each with its own places where these differ."""
    apart = job.name_says_where or set(job.places) != set(other.places)
    names = [name_and_places(each) if apart else each.name for each in (job, other)]
    parts = {
        part: job.parts.get(part, 0) + other.parts.get(part, 0)
        for part in (*job.parts, *other.parts)
    }
    return replace(
        job,
        name=" + ".join(names),
        minutes=job.minutes + other.minutes,
        access=tuple(dict.fromkeys((*job.access, *other.access))),
        tasks=(*job.tasks, *other.tasks),
        places=tuple(dict.fromkeys((*job.places, *other.places))),
        name_says_where=apart,
        skills=job.skills | other.skills,
        parts=parts,
        tools=tuple(dict.fromkeys((*job.tools, *other.tools))),
        cautions=tuple(dict.fromkeys((*job.cautions, *other.cautions))),
        readings=tuple(dict.fromkeys((*job.readings, *other.readings))),
        details=tuple(dict.fromkeys((*job.details, *other.details))),
    )


def name_and_places(job: Job) -> str:
    """Return what a job is called, with where on the machine it is done."""
    if job.name_says_where or not job.places:
        return job.name
    return f"{job.name} ({', '.join(job.places)})"
