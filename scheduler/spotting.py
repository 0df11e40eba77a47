"""Which symptoms a caller's own words hint at."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final
from unicodedata import combining, normalize

from scheduler.catalogue import Symptom

# As they look with accents and case gone.
NEGATIONS: Final = frozenset({"no", "not", "never", "without", "nicht", "kein", "keine", "pas"})
FILLERS: Final = frozenset({"a", "an", "and", "at", "from", "in", "is", "it", "of", "on", "the"})
ENDINGS: Final = ("ing", "ed", "es", "s")
STRAY_WORDS: Final = 1  # that may stand among the words of a phrase


@dataclass(frozen=True, slots=True)
class _Match:
    symptom: str
    words: frozenset[int]  # which words of the text


def spotted_symptoms(text: str, symptoms: Iterable[Symptom]) -> tuple[str, ...]:
    """Return the ids of the symptoms some phrase of which occurs in the text, in catalogue order.

    Case, accents, punctuation, fillers and the commonest endings do not matter; the words of a
    phrase may come in another order ("the group leaks", "leaks at the group") unless one of them is
    a negation. A longer phrase beats a shorter one inside it ("burnt taste" is not "burnt"). A
    phrase behind a negation ("not leaking") does not count, unless it is a red flag: danger is
    asked about, never talked away.
    """
    said = _words(text)
    stems = [_stem(word) for word in said]
    matches = [
        _Match(symptom.id, words)
        for symptom in symptoms
        for phrase in symptom.words
        for words in _occurrences(_words(phrase), said, stems)
        if symptom.red_flag or not _is_negated(min(words), said)
    ]
    beaten = {match for match in matches for other in matches if match.words < other.words}
    return tuple(dict.fromkeys(match.symptom for match in matches if match not in beaten))


def _words(text: str) -> list[str]:
    plain = "".join(c for c in normalize("NFKD", text.casefold()) if not combining(c))
    spaced = "".join(c if c.isalnum() else " " for c in plain.replace("'", "").replace("’", ""))
    return [word for word in spaced.split() if word not in FILLERS]


def _stem(word: str) -> str:
    """Enough to see that "trips" and "tripping", "scale" and "scaled" are the same word."""
    for ending in ENDINGS:
        if word.endswith(ending) and len(word) - len(ending) >= 3:
            word = word.removesuffix(ending)
            break
    word = word.removesuffix("e")
    return word[:-1] if len(word) > 3 and word[-1] == word[-2] else word


def _occurrences(
    phrase: Sequence[str], said: Sequence[str], stems: Sequence[str]
) -> Iterable[frozenset[int]]:
    """The places, as sets of word numbers, at which a phrase occurs."""
    in_order = not NEGATIONS.isdisjoint(phrase)
    wanted = [_stem(word) for word in phrase]
    for start in range(len(said)):
        window = range(start, min(start + len(wanted) + STRAY_WORDS, len(said)))
        if wanted and stems[start] in (wanted[:1] if in_order else wanted):
            found = _find(wanted, stems, window, in_order=in_order)
            if found is not None:
                yield found


def _find(
    wanted: Sequence[str], stems: Sequence[str], window: range, *, in_order: bool
) -> frozenset[int] | None:
    used: list[int] = []
    for stem in wanted:
        found = next(
            (
                at
                for at in window
                if stems[at] == stem
                and at not in used
                and not (in_order and used and at < used[-1])
            ),
            None,
        )
        if found is None:
            return None
        used.append(found)
    return frozenset(used)


def _is_negated(first: int, said: Sequence[str]) -> bool:
    return first > 0 and said[first - 1] in NEGATIONS
