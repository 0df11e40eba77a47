"""Which parts to bring when several faults are possible and only one of them is there."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

# Rarer cases are left out of the search; the exact search doubles with each case.
SEARCHED_CASES = 14


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """Something that may be needed: how probable, and the parts that would settle it."""

    probability: float
    parts: Mapping[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Kit:
    """Parts to bring, the share of cases they suffice for, and what they cost (minor units)."""

    parts: Mapping[str, int]
    cover: float
    cost_minor: int


def cheapest_kit(cases: Sequence[Case], prices_minor: Mapping[str, int], share: float) -> Kit:
    """Return the cheapest kit that suffices for ``share`` of the cases, 0 to 1.

    Exact among the most probable cases; when those do not add up to the share, the kit suffices
    for all of them. Of kits that cost the same the one with the larger cover is returned.
    """
    free = sum(case.probability for case in cases if not case.parts)
    with_parts = sorted((case for case in cases if case.parts), key=lambda case: -case.probability)[
        :SEARCHED_CASES
    ]
    reachable = free + sum(case.probability for case in with_parts)
    needed = min(share, reachable)

    def cost(kit: Mapping[str, int]) -> int:
        return sum(prices_minor[part] * quantity for part, quantity in kit.items())

    def cover(kit: Mapping[str, int]) -> float:
        return free + sum(
            case.probability
            for case in with_parts
            if all(kit.get(part, 0) >= quantity for part, quantity in case.parts.items())
        )

    everything: dict[str, int] = {}
    for case in with_parts:
        everything = _with(everything, case.parts)
    best = Kit(parts=everything, cover=cover(everything), cost_minor=cost(everything))

    def search(index: int, kit: Mapping[str, int], covered: float, rest: float) -> None:
        """Take or leave each case in turn; ``covered`` counts only the cases taken."""
        nonlocal best
        spent = cost(kit)
        if spent > best.cost_minor or covered + rest < needed - 1e-12:
            return
        if covered >= needed - 1e-12:
            found = Kit(parts=kit, cover=cover(kit), cost_minor=spent)
            if (found.cost_minor, -found.cover) < (best.cost_minor, -best.cover):
                best = found
            return
        case = with_parts[index]
        rest -= case.probability
        search(index + 1, _with(kit, case.parts), covered + case.probability, rest)
        search(index + 1, kit, covered, rest)

    search(0, {}, free, reachable - free)
    return Kit(parts=dict(sorted(best.parts.items())), cover=best.cover, cost_minor=best.cost_minor)


def _with(kit: Mapping[str, int], parts: Mapping[str, int]) -> dict[str, int]:
    """The kit enlarged so that it suffices for these parts as well: one case occurs, not all."""
    return {part: max(kit.get(part, 0), parts.get(part, 0)) for part in (*kit, *parts)}
