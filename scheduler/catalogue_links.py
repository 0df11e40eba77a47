"""Whether everything one catalogue entry names exists among the others, and fits it."""

from collections.abc import Collection, Iterable, Iterator, Mapping

from scheduler.catalogue import Action, AppliesTo, Catalogue, MachineState, ServiceRule
from scheduler.errors import Flaw
from scheduler.translations import phrase_flaw, wording_flaws


def flaws_between(
    catalogue: Catalogue, *, declared: Mapping[str, Collection[str]] | None = None
) -> tuple[Flaw, ...]:
    """Return what does not fit together, by the path of the entry at fault.

    Parameters
    ----------
    declared : ids that exist by table ("rules", "part_types", ...), where more exist than could be
        read into ``catalogue``; by default those of the catalogue.
    """
    return tuple(_Links(catalogue, declared or {}).flaws())


_SWITCHED_OFF = (MachineState.DEAD, MachineState.COLD)


class _Links:
    def __init__(self, catalogue: Catalogue, declared: Mapping[str, Collection[str]]) -> None:
        self._catalogue = catalogue
        self._declared = declared

    def flaws(self) -> Iterator[Flaw]:
        catalogue = self._catalogue
        for part in catalogue.part_types.values():
            path = f"part_types.{part.id}.superseded_by"
            yield from self._unknown(path, "part_types", _given(part.superseded_by))
            if self._supersedes_itself(part.id):
                yield Flaw(path=path, message=f"leads back to {part.id} in a circle")
        for rule in catalogue.rules.values():
            yield from self._rule(rule)
        for step in catalogue.access_steps.values():
            path = f"access_steps.{step.id}.requires"
            yield from self._unknown(path, "access_steps", step.requires)
            yield from self._builds(f"access_steps.{step.id}.applies_to", step.applies_to)
            if self._requires_itself(step.id):
                yield Flaw(path=path, message=f"leads back to {step.id} in a circle")
        for set_point in catalogue.set_points.values():
            yield from self._builds(f"set_points.{set_point.id}.applies_to", set_point.applies_to)
            for key in ("too_high", "too_low", "made_safe_by"):
                rules = getattr(set_point, key)
                yield from self._unknown(f"set_points.{set_point.id}.{key}", "rules", rules)
        for fault in catalogue.faults.values():
            path = f"faults.{fault.id}"
            yield from self._builds(f"{path}.applies_to", fault.applies_to)
            yield from self._unknown(f"{path}.part_type", "part_types", _given(fault.part_type))
            yield from self._unknown(f"{path}.skills", "skills", fault.skills)
            yield from self._unknown(f"{path}.parts", "part_types", fault.parts)
            yield from self._unknown(f"{path}.cautions", "cautions", fault.cautions)
            yield from self._superseded(f"{path}.parts", fault.parts)
        for symptom in catalogue.symptoms.values():
            path = f"symptoms.{symptom.id}.likelihoods"
            yield from self._unknown(path, "faults", symptom.likelihoods)
        for n, position in enumerate(catalogue.positions):
            path = f"positions[{n}]"
            yield from self._unknown(f"{path}.part_type", "part_types", (position.part_type,))
            yield from self._builds(f"{path}.applies_to", position.applies_to)
        for n, thermal in enumerate(catalogue.thermals):
            yield from self._builds(f"thermals[{n}].applies_to", thermal.applies_to)
        yield from self._translations()

    def _translations(self) -> Iterator[Flaw]:
        for language, translation in self._catalogue.translations.items():
            path = f"translations.{language}"
            for table, wordings in translation.tables():
                yield from self._unknown(f"{path}.{table}", table, wordings)
                entries = getattr(self._catalogue, table)
                for entry_id in wordings.keys() & entries.keys():
                    for key, message in wording_flaws(entries[entry_id], wordings[entry_id]):
                        yield Flaw(path=f"{path}.{table}.{entry_id}.{key}", message=message)
            for english, said in translation.texts.items():
                if flaw := phrase_flaw(english, said):
                    yield Flaw(path=f"{path}.texts", message=f"{english!r} {flaw}")

    def _rule(self, rule: ServiceRule) -> Iterator[Flaw]:
        path = f"rules.{rule.id}"
        yield from self._builds(f"{path}.applies_to", rule.applies_to)
        for key, table, names in (
            ("part_type", "part_types", _given(rule.part_type)),
            ("live_with", "features", _given(rule.live_with)),
            ("access", "access_steps", rule.access),
            ("opening", "openings", _given(rule.opening)),
            ("skills", "skills", rule.skills),
            ("consumes", "part_types", rule.consumes),
            ("cautions", "cautions", rule.cautions),
            ("readings", "set_points", rule.readings),
            ("follows", "rules", rule.follows),
            ("restarts", "rules", rule.restarts),
        ):
            yield from self._unknown(f"{path}.{key}", table, names)
        yield from self._counter(rule)
        rules = self._catalogue.rules
        for lesser in (rules[name] for name in rule.restarts if name in rules):
            if lesser.part_type != rule.part_type:
                yield Flaw(
                    path=f"{path}.restarts",
                    message=f"{lesser.id} is work on {lesser.part_type}, not on {rule.part_type}",
                )
            if lesser.alone or rule.alone:
                yield Flaw(
                    path=f"{path}.restarts",
                    message="work that stands alone neither makes good nor is made good: "
                    f"{lesser.id if lesser.alone else rule.id}",
                )
        yield from self._superseded(f"{path}.consumes", rule.consumes)
        if rule.during_reheat:
            for name in self._with_required(rule.access):
                if self._catalogue.access_steps[name].state in _SWITCHED_OFF:
                    yield Flaw(
                        path=f"{path}.access",
                        message=f"{name} needs a machine that is off, the work one that heats up",
                    )
        if rule.action is Action.REPLACE and not rule.consumes:
            yield Flaw(path=f"{path}.consumes", message="must name the new part")

    def _superseded(self, path: str, parts: Iterable[str]) -> Iterator[Flaw]:
        """Nobody plans, carries or stocks a part that is not to be had any more."""
        for name in parts:
            part = self._catalogue.part_types.get(name)
            if part is not None and part.superseded_by:
                yield Flaw(path=path, message=f"{name} is superseded by {part.superseded_by}")

    def _counter(self, rule: ServiceRule) -> Iterator[Flaw]:
        counter = rule.interval.counter
        counted = {use.counter for use in self._catalogue.use_per_drink}
        if counter is not None and counter not in counted:
            yield Flaw(
                path=f"rules.{rule.id}.interval.counter",
                message=f"{counter} needs an entry [[use_per_drink]]",
            )

    def _unknown(self, path: str, table: str, names: Iterable[str]) -> Iterator[Flaw]:
        known = self._declared.get(table, getattr(self._catalogue, table))
        for name in sorted(set(names)):
            if name not in known:
                yield Flaw(path=path, message=f"{table} has no {name}")

    def _builds(self, path: str, applies_to: AppliesTo) -> Iterator[Flaw]:
        yield from self._unknown(
            path, "features", applies_to.features | applies_to.without_features
        )

    def _supersedes_itself(self, part_type: str) -> bool:
        seen: set[str] = set()
        successor = self._catalogue.part_types[part_type].superseded_by
        while successor and successor in self._catalogue.part_types and successor not in seen:
            seen.add(successor)
            successor = self._catalogue.part_types[successor].superseded_by
        return part_type in seen

    def _requires_itself(self, step: str) -> bool:
        return step in self._with_required(self._catalogue.access_steps[step].requires)

    def _with_required(self, access: Iterable[str]) -> list[str]:
        """Return access steps that exist with all that they require, in the order found."""
        found: dict[str, None] = {}
        open_ends = list(access)
        while open_ends:
            name = open_ends.pop(0)
            if name in self._catalogue.access_steps and name not in found:
                found[name] = None
                open_ends.extend(self._catalogue.access_steps[name].requires)
        return list(found)


def _given(name: str | None) -> tuple[str, ...]:
    return () if name is None else (name,)
