"""What a fault report most likely means, how urgent it is and what to bring.

Bayes' rule over the faults of the build: how often each occurs, times how likely each would show
what the caller sees. Symptoms nobody mentioned count neither for nor against. Red flags stand
outside the reckoning: they make the report urgent and give advice whatever the rest says.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from math import log2, prod
from typing import Final

from scheduler.catalogue import Catalogue, Fault, MachineState, Symptom
from scheduler.company import Urgency
from scheduler.errors import InvalidInput, UnknownReference
from scheduler.jobs import STATE_RANK, Job
from scheduler.machines import Build, Machine
from scheduler.parts_kit import Case, Kit, cheapest_kit
from scheduler.spotting import spotted_symptoms
from scheduler.upgrades import upgrades_on
from scheduler.worksheet import MachineWork, Worksheet, visit_times, worksheet_of

WHATEVER_IT_IS: Final = (
    "If you smell gas: touch no switch, open doors and windows, shut the gas if that is quick, "
    "leave, and call the gas emergency service from outside. If anything smokes, smells burnt, "
    "trips, gives a shock, sprays water or blows steam: switch off at the main breaker, shut the "
    "water if that is safe, keep people away and telephone us. Do not open the machine."
)
"""Said when nobody could tell what the fault is. From memory; local advice comes first."""

NOT_BEFORE_LET_GO: Final = ("gas",)
"""Cautions for whoever goes where everybody had to leave at once, gas machine or not."""

FINDING_MINUTES: Final = 15.0  # to find the cause at the machine; common practice, no source
LISTED_FROM: Final = 0.01  # less probable faults are not listed
WORTH_ASKING_BITS: Final = 0.05  # what a question has to be expected to tell
NEVER_CERTAIN: Final = 0.001  # no symptom is taken to be surer or rarer than this

# Parts wear with age: the rate of faults of a part goes with the square root of the machine's age
# over five years, between half and double. Common practice, no source.
REFERENCE_AGE_YEARS: Final = 5.0
AGE_FACTORS: Final = (0.5, 2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class LikelyFault:
    """A fault with its posterior probability."""

    fault: str
    name: str
    probability: float
    phone_fix: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """The answer of triage to one report.

    ``minutes`` is what the visit should be planned with, from arrival to leaving, of which
    ``mending_minutes`` are the work itself once the cause is known; ``parts`` is the cheapest kit
    that suffices for ``parts_cover`` of the cases; ``next_question`` is the symptom id worth asking
    about next, if any. In danger no phone fix is offered: nobody should touch the machine.
    """

    urgency: Urgency
    symptoms: tuple[str, ...]  # as reported and as read from the free text
    likely_faults: tuple[LikelyFault, ...]
    state: MachineState  # the state the machine has to be in for the likely work
    skills: frozenset[str]
    parts: Mapping[str, int]
    parts_cover: float  # 0 to 1
    mending_minutes: float
    minutes: int
    make_safe: tuple[str, ...]
    next_question: str | None
    because: str
    cautions: tuple[str, ...] = ()  # ids, of the likely work


def triage(
    symptoms: Iterable[str],
    free_text: str,
    build: Build,
    age_years: float,
    catalogue: Catalogue,
    *,
    answers: Mapping[str, bool] | None = None,
    rates: Mapping[str, float] | None = None,
    share: float = 0.8,
) -> Finding:
    """Return what a fault report most likely means.

    Parameters
    ----------
    symptoms
        Symptom ids the caller reports.
    free_text
        What the caller says in other words; symptoms are spotted in it.
    age_years
        Age of the machine, >= 0.
    answers
        Symptom id -> whether it is there, for questions that have been asked.
    rates
        Fault id -> occurrences per machine and year, where better known than in the catalogue.
    share
        Share of the cases that time, skills, parts and state have to suffice for, 0 to 1.

    Raises
    ------
    UnknownReference
        When a symptom or fault is not in the catalogue; the known ones are listed.
    InvalidInput
        When the age is negative, ``share`` is not in 0 to 1, or no fault is known for the build.
    """
    answers = answers or {}
    if not age_years >= 0:
        raise InvalidInput(f"age_years must be >= 0, got {age_years}")
    if not 0 < share <= 1:
        raise InvalidInput(f"share must be above 0 and at most 1, got {share}")
    seen = _seen(symptoms, free_text, answers, catalogue)
    absent = [catalogue.symptoms[s] for s, there in answers.items() if not there and s not in seen]
    present = [catalogue.symptoms[s] for s in seen]
    faults = _faults_of(build, catalogue)
    posterior = _posterior(faults, present, absent, age_years, rates or {}, catalogue)
    ranked = sorted(posterior, key=lambda fault: (-posterior[fault], fault))
    # what is seen and no fault of this build shows tells nothing of the machine: smell of gas at an
    # electric one
    telling = [s for s in present if not posterior.keys().isdisjoint(s.likelihoods)]
    baffling = bool(present) and not telling

    danger = any(symptom.red_flag for symptom in present)
    enough = _enough(ranked, posterior, share)
    state = _at_share(
        [(STATE_RANK[faults[fault].state], posterior[fault]) for fault in posterior], share
    )
    state_needed = MachineState.COLD if danger else list(MachineState)[int(state)]
    mending = _at_share([(faults[fault].minutes, posterior[fault]) for fault in posterior], share)
    kit = (
        _kit(faults, posterior, catalogue, share)
        if telling
        else Kit(parts={}, cover=0.0, cost_minor=0)
    )
    skills = frozenset().union(*(faults[fault].skills for fault in enough))
    finding = Finding(
        urgency=_urgency(present, build),
        symptoms=seen,
        likely_faults=tuple(
            LikelyFault(
                fault=fault,
                name=faults[fault].name,
                probability=posterior[fault],
                phone_fix=None if danger else faults[fault].phone_fix,
            )
            for fault in ranked
            if posterior[fault] >= LISTED_FROM and not baffling
        ),
        state=state_needed,
        skills=skills,
        parts=kit.parts,
        parts_cover=kit.cover,
        cautions=tuple(
            dict.fromkeys(
                (
                    *(NOT_BEFORE_LET_GO if any(s.leave_at_once for s in present) else ()),
                    *(c for fault in enough for c in faults[fault].cautions),
                )
            )
        ),
        mending_minutes=mending,
        minutes=0,
        make_safe=_make_safe(present),
        next_question=None
        if any(s.leave_at_once for s in present)  # nobody goes back in to look
        else _next_question(posterior, [*present, *absent], catalogue),
        because=_because(
            present, None if baffling else (faults[ranked[0]].name, posterior[ranked[0]])
        ),
    )
    work = callback_work(finding, machine="", build=build, callback="")
    return replace(finding, minutes=visit_times([work], catalogue).minutes)


def make_safe_now(
    symptoms: Iterable[str],
    free_text: str,
    answers: Mapping[str, bool],
    catalogue: Catalogue,
) -> tuple[str, ...]:
    """Return what the café should do now, whichever machine it is.

    Raises
    ------
    UnknownReference
        When a symptom is not in the catalogue.
    """
    seen = _seen(symptoms, free_text, answers, catalogue)
    return _make_safe(catalogue.symptoms[symptom] for symptom in seen)


def _make_safe(present: Iterable[Symptom]) -> tuple[str, ...]:
    """Return what the café should do now; without a known symptom, what is right for the worst.

    Where everybody has to leave at once nothing else is advised: with gas in the room the switch
    that is right for a smell of burning makes the spark.
    """
    present = tuple(present)
    if not present:
        return (WHATEVER_IT_IS,)
    flags = [s for s in present if s.red_flag]
    flags = [s for s in flags if s.leave_at_once] or flags
    return tuple(dict.fromkeys(s.make_safe for s in flags if s.make_safe is not None))


def callback_work(
    finding: Finding, *, machine: str, build: Build, callback: str, stopped: bool = False
) -> MachineWork:
    """Return the jobs of a visit for a callback: find the cause, then mend it.

    The cause is looked for on the live machine, unless that is dangerous or the machine was
    ``stopped`` and made safe before.
    """
    danger = stopped or finding.urgency is Urgency.DANGER
    find = Job(
        name="Find the cause",
        minutes=FINDING_MINUTES,
        state=MachineState.COLD if danger else MachineState.LIVE,
        tasks=(callback,),
        skills=finding.skills,
        comes_first=True,
        details=tuple(f"{f.probability:.0%} {f.name}" for f in finding.likely_faults),
    )
    mend = Job(
        name="Mend it",
        minutes=finding.mending_minutes,
        state=finding.state,
        tasks=(callback,),
        skills=finding.skills,
        parts=finding.parts,
        cautions=finding.cautions,
    )
    return MachineWork(
        machine=machine,
        build=build,
        jobs=(find, mend),
        unsafe=danger,
        before_entering=tuple(c for c in finding.cautions if c in NOT_BEFORE_LET_GO),
    )


def callback_worksheet(
    finding: Finding, machine: Machine, catalogue: Catalogue, callback: str, *, pace: float = 1.0
) -> Worksheet:
    """Return the worksheet of a visit for a callback; ``callback`` is the id its steps serve.

    Nothing of a planned visit is added.
    """
    work = callback_work(
        finding,
        machine=machine.id,
        build=machine.build,
        callback=callback,
        stopped=machine.stopped,
    )
    offered = replace(work, upgrades=upgrades_on(machine, catalogue))
    return worksheet_of([offered], catalogue, pace=pace)


def information_gain_bits(
    probabilities: Mapping[str, float], likelihoods: Mapping[str, float]
) -> float:
    """Return how many bits the answer to a yes-or-no question is expected to tell.

    Parameters
    ----------
    probabilities
        Fault id -> probability before the answer, adding up to 1.
    likelihoods
        Fault id -> probability of "yes" given the fault.

    References
    ----------
    J. R. Quinlan, "Induction of decision trees", Machine Learning 1, 1986.
    """
    yes = {fault: p * likelihoods[fault] for fault, p in probabilities.items()}
    no = {fault: p - yes[fault] for fault, p in probabilities.items()}
    after = sum(
        total * _entropy_bits(p / total for p in part.values())
        for part in (yes, no)
        if (total := sum(part.values())) > 0
    )
    return _entropy_bits(probabilities.values()) - after


def learned_rate(
    fault: Fault, confirmed: int, machine_years: float, *, prior_machine_years: float = 20.0
) -> float:
    """Return a fault's rate per machine and year after so many confirmed cases.

    The catalogue's rate counts as an experience of ``prior_machine_years``: the mean of the gamma
    distribution that a Poisson count makes of it.

    Raises
    ------
    InvalidInput
        When a count is negative or ``prior_machine_years`` is not positive.
    """
    if confirmed < 0 or machine_years < 0:
        raise InvalidInput(
            f"confirmed and machine_years must be >= 0, got {confirmed} and {machine_years}"
        )
    if not prior_machine_years > 0:
        raise InvalidInput(f"prior_machine_years must be > 0, got {prior_machine_years}")
    expected = fault.per_machine_year * prior_machine_years
    return (expected + confirmed) / (prior_machine_years + machine_years)


def learned_rates(
    confirmed: Mapping[str, int], machine_years: Mapping[Build, float], catalogue: Catalogue
) -> dict[str, float]:
    """Return the rate of every fault of the catalogue, as the company's own cases correct it.

    Parameters
    ----------
    confirmed
        Fault id -> how often it was found; faults the catalogue does not know are passed over.
    machine_years
        How long machines of each build were watched while these cases came up.
    """
    return {
        fault.id: learned_rate(
            fault,
            confirmed.get(fault.id, 0),
            sum(years for build, years in machine_years.items() if build.suits(fault.applies_to)),
        )
        for fault in catalogue.faults.values()
    }


def _seen(
    symptoms: Iterable[str], free_text: str, answers: Mapping[str, bool], catalogue: Catalogue
) -> tuple[str, ...]:
    """What is there: reported, spotted or answered with yes. A no outweighs all but a red flag."""
    reported = [*symptoms, *(symptom for symptom, there in answers.items() if there)]
    for symptom in (*reported, *answers):
        if symptom not in catalogue.symptoms:
            raise UnknownReference("symptom", symptom, catalogue.symptoms)
    spotted = spotted_symptoms(free_text, catalogue.symptoms.values())
    return tuple(
        symptom
        for symptom in dict.fromkeys([*reported, *spotted])
        if answers.get(symptom, True) or catalogue.symptoms[symptom].red_flag
    )


def _faults_of(build: Build, catalogue: Catalogue) -> dict[str, Fault]:
    faults = {f.id: f for f in catalogue.faults.values() if build.suits(f.applies_to)}
    if not faults:
        raise InvalidInput(f"the catalogue knows no fault of a {build.kind} of this build")
    return faults


def _posterior(
    faults: Mapping[str, Fault],
    present: Iterable[Symptom],
    absent: Iterable[Symptom],
    age_years: float,
    rates: Mapping[str, float],
    catalogue: Catalogue,
) -> dict[str, float]:
    for fault in rates:
        if fault not in catalogue.faults:
            raise UnknownReference("fault", fault, catalogue.faults)
    low, high = AGE_FACTORS
    wear = min(high, max(low, (age_years / REFERENCE_AGE_YEARS) ** 0.5))
    weights = {
        fault.id: rates.get(fault.id, fault.per_machine_year)
        * (1.0 if fault.part_type is None else wear)
        * prod(_likelihood(symptom, fault.id) for symptom in present)
        * prod(1 - _likelihood(symptom, fault.id) for symptom in absent)
        for fault in faults.values()
    }
    total = sum(weights.values())
    return {fault: weight / total for fault, weight in weights.items()}


def _likelihood(symptom: Symptom, fault: str) -> float:
    return min(
        1 - NEVER_CERTAIN, max(NEVER_CERTAIN, symptom.likelihoods.get(fault, symptom.background))
    )


def _urgency(present: Iterable[Symptom], build: Build) -> Urgency:
    """Return the urgency of the worst symptom; a report nobody understands is not minor.

    One group of several out of use leaves the café slower, not shut, and is never a nuisance: in
    the next rush it is missing.
    """
    present = list(present)
    if any(symptom.red_flag for symptom in present):
        return Urgency.DANGER
    if any(s.stops_service and not (s.of_one_group and build.groups > 1) for s in present):
        return Urgency.STOPPED
    if present and all(symptom.nuisance for symptom in present):
        return Urgency.MINOR
    return Urgency.IMPAIRED


def _enough(ranked: Iterable[str], posterior: Mapping[str, float], share: float) -> list[str]:
    """The most probable faults that together make up the share."""
    chosen: list[str] = []
    covered = 0.0
    for fault in ranked:
        if covered >= share:
            break
        chosen.append(fault)
        covered += posterior[fault]
    return chosen


def _at_share(weighted: Iterable[tuple[float, float]], share: float) -> float:
    """The smallest of the values that at least ``share`` of the weight does not exceed."""
    covered = 0.0
    value = 0.0
    for value, weight in sorted(weighted):  # noqa: B007  the last one stands when rounding is short
        covered += weight
        if covered >= share:
            break
    return value


def _kit(
    faults: Mapping[str, Fault], posterior: Mapping[str, float], catalogue: Catalogue, share: float
) -> Kit:
    return cheapest_kit(
        [Case(probability=posterior[f], parts=faults[f].parts) for f in posterior],
        {part.id: part.price_minor for part in catalogue.part_types.values()},
        share,
    )


def _next_question(
    posterior: Mapping[str, float], asked: Iterable[Symptom], catalogue: Catalogue
) -> str | None:
    done = {symptom.id for symptom in asked}
    gains = [
        (
            information_gain_bits(posterior, {f: _likelihood(symptom, f) for f in posterior}),
            symptom.id,
        )
        for symptom in catalogue.symptoms.values()
        if symptom.id not in done and not posterior.keys().isdisjoint(symptom.likelihoods)
    ]
    gain, symptom = max(gains, key=lambda found: found[0], default=(0.0, None))
    return symptom if gain >= WORTH_ASKING_BITS else None


def _entropy_bits(probabilities: Iterable[float]) -> float:
    return -sum(p * log2(p) for p in probabilities if p > 0)


def _because(present: Iterable[Symptom], likeliest: tuple[str, float] | None) -> str:
    names = [symptom.name for symptom in present]
    if not names:
        return (
            "No symptom was recognised in the report; the ranking is how often each fault occurs. "
            "Ask the next question before sending anybody."
        )
    flags = [symptom.name for symptom in present if symptom.red_flag]
    because = f"{', '.join(names)}: "
    if likeliest is None:
        because += "no known fault of such a machine shows that; the cause may lie outside it."
    else:
        because += f"most likely {likeliest[0]} ({likeliest[1]:.0%})."
    return f"Danger: {', '.join(flags)}. {because}" if flags else because
