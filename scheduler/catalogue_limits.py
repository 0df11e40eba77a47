"""What a change of the catalogue may not relax: the law, the makers, and what keeps people safe."""

from collections.abc import Iterator, Mapping
from typing import Any

from scheduler.catalogue import Authority, Catalogue, MachineState, ServiceRule, SetPoint
from scheduler.duty import months_at
from scheduler.errors import Flaw

_WEIGHT = {authority: weight for weight, authority in enumerate(Authority)}
_OPENNESS = {state: number for number, state in enumerate(MachineState)}


def flaws_of_relaxing(sound: Catalogue, changed: Catalogue) -> tuple[Flaw, ...]:
    """Return where ``changed`` asks for less than ``sound`` does in law, by makers or for safety.

    Only entries of ``sound`` that are still there are held against it. Stricter is always allowed.
    """
    return tuple(_flaws(sound, changed))


def _flaws(sound: Catalogue, changed: Catalogue) -> Iterator[Flaw]:
    for rule, after in _pairs(sound.rules, changed.rules):
        yield from _for_safety(rule, after)
        if is_hard(rule):
            yield from _rule(rule, after)
    for name, rule in changed.rules.items():
        known = sound.rules[name].restarts if name in sound.rules else ()
        for made_good in rule.restarts:
            if made_good not in known and made_good in sound.rules:
                yield from _made_good(rule, sound.rules[made_good])
    for point, set_point in _pairs(sound.set_points, changed.set_points):
        yield from _set_point(point, set_point)
    for symptom, after_it in _pairs(sound.symptoms, changed.symptoms):
        if symptom.red_flag and not after_it.red_flag:
            yield Flaw(
                path=f"symptoms.{symptom.id}.red_flag",
                message="must stay true: the symptom is a danger to people",
            )


def is_hard(rule: ServiceRule) -> bool:
    """Whether the law or a maker has a say in a rule."""
    return rule.limit is not None or rule.authority is not Authority.PRACTICE


def _pairs(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[tuple[Any, Any]]:
    return ((before[name], after[name]) for name in before if name in after)


def _for_safety(rule: ServiceRule, after: ServiceRule) -> Iterator[Flaw]:
    path = f"rules.{rule.id}"
    if lost := sorted(set(rule.cautions) - set(after.cautions)):
        yield Flaw(path=f"{path}.cautions", message=f"must keep {', '.join(lost)}")
    if _OPENNESS[after.state] < _OPENNESS[rule.state]:
        yield Flaw(
            path=f"{path}.state",
            message=f"must be {rule.state} or safer, got {after.state}",
        )
    if after.live_with not in (rule.live_with, None):
        yield Flaw(
            path=f"{path}.live_with",
            message=f"must stay {rule.live_with or 'left out'}, got {after.live_with}",
        )


def _rule(rule: ServiceRule, after: ServiceRule) -> Iterator[Flaw]:
    path = f"rules.{rule.id}"
    if _WEIGHT[after.authority] > _WEIGHT[rule.authority]:
        yield Flaw(
            path=f"{path}.authority", message=f"must stay {rule.authority}, got {after.authority}"
        )
    for key in ("part_type", "applies_to", "follows", "every_visit"):
        if getattr(rule, key) != getattr(after, key):
            yield Flaw(
                path=f"{path}.{key}",
                message=f"must stay as it is: the {_whose(rule)} asks for the work",
            )
    if after.from_age_years > rule.from_age_years:
        yield _too_long(rule, "from_age_years", rule.from_age_years, after.from_age_years)
    if lost := sorted(rule.skills - after.skills):
        yield Flaw(path=f"{path}.skills", message=f"must keep {', '.join(lost)}")
    yield from _limit(rule, after)
    yield from _counter(rule, after)


def _limit(rule: ServiceRule, after: ServiceRule) -> Iterator[Flaw]:
    path = f"rules.{rule.id}"
    if rule.limit is not None:
        if after.limit is None:
            yield Flaw(path=f"{path}.limit", message=f"must stay: set by the {_whose(rule)}")
        elif after.limit.months > rule.limit.months:
            yield _too_long(rule, "limit.months", rule.limit.months, after.limit.months)
        return
    if after.limit is not None:  # then the limit is what is hard, and no longer the interval
        longest = max((months for _, months in rule.interval.months_by_drinks), default=0.0)
        if longest and after.limit.months > longest:
            yield _too_long(rule, "limit.months", longest, after.limit.months)
    points = (*rule.interval.months_by_drinks, *after.interval.months_by_drinks)
    for drinks in sorted({drinks for drinks, _ in points}):
        most, months = months_at(rule.interval, drinks), months_at(after.interval, drinks)
        if most is not None and (months is None or months > most):
            yield Flaw(
                path=f"{path}.interval.months_by_drinks",
                message=f"at {drinks:g} drinks a day the {_whose(rule)} asks for {most:g} months "
                f"at most, got {'none' if months is None else f'{months:g}'}",
            )
            return


def _counter(rule: ServiceRule, after: ServiceRule) -> Iterator[Flaw]:
    asked, given = rule.interval, after.interval
    if asked.counter is None:
        return
    if given.counter is not asked.counter:
        yield Flaw(
            path=f"rules.{rule.id}.interval.counter",
            message=f"must stay {asked.counter}, got {given.counter}",
        )
        return
    for key in ("counter_limit", "capacity_dh_litres"):
        most, wanted = getattr(asked, key), getattr(given, key)
        if most is not None and (wanted is None or wanted > most):
            yield _too_long(rule, f"interval.{key}", most, wanted)
    if given.left_dh > asked.left_dh:
        yield _too_long(rule, "interval.left_dh", asked.left_dh, given.left_dh)


def _made_good(rule: ServiceRule, made_good: ServiceRule) -> Iterator[Flaw]:
    if is_hard(made_good):
        yield Flaw(
            path=f"rules.{rule.id}.restarts",
            message=f"{made_good.id} is asked for by the {_whose(made_good)}: "
            "no other work may be added that makes it good",
        )


def _set_point(point: SetPoint, after: SetPoint) -> Iterator[Flaw]:
    path = f"set_points.{point.id}"
    if after.unit != point.unit:
        yield Flaw(
            path=f"{path}.unit",
            message=f"must stay {point.unit}: values are on record; add another set-point",
        )
    for key, looser in (("stop_above", 1), ("stop_below", -1)):
        limit, wanted = getattr(point, key), getattr(after, key)
        if limit is not None and (wanted is None or looser * (wanted - limit) > 0):
            side = "at most" if looser > 0 else "at least"
            yield Flaw(
                path=f"{path}.{key}", message=f"must be {side} {limit:g} for safety, got {wanted:g}"
            )
    if lost := sorted(set(point.made_safe_by) - set(after.made_safe_by)):
        yield Flaw(path=f"{path}.made_safe_by", message=f"must keep {', '.join(lost)}")
    stops = point.stop_above is not None or point.stop_below is not None
    if stops and after.applies_to != point.applies_to:
        yield Flaw(
            path=f"{path}.applies_to", message="must stay as it is: beyond it a machine is stopped"
        )


def _whose(rule: ServiceRule) -> str:
    return str(rule.limit.authority if rule.limit else rule.authority)


def _too_long(rule: ServiceRule, key: str, most: float, got: float | None) -> Flaw:
    return Flaw(
        path=f"rules.{rule.id}.{key}",
        message=f"the {_whose(rule)} allows {most:g} at most, "
        f"got {'none' if got is None else f'{got:g}'}",
    )
