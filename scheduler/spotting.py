"""Which symptoms a caller's own words hint at."""

from collections.abc import Iterable
from unicodedata import combining, normalize

from scheduler.catalogue import Symptom

NEGATIONS = frozenset(
    {"no", "not", "without", "never", "nicht", "kein", "keine", "ohne", "pas", "sans"}
)
ENDINGS = ("", "s", "es", "ed", "ing")
GAP = 1  # words that may stand between two words of a phrase: "water near the socket"


def spotted_symptoms(text: str, symptoms: Iterable[Symptom]) -> tuple[str, ...]:
    """Return the ids of the symptoms some phrase of which occurs in the text, in catalogue order.

    Case, accents and punctuation do not matter. A phrase behind a negation ("not leaking") does not
    count, unless it is a red flag: danger is asked about, never talked away.
    """
    said = _words(text)
    return tuple(
        symptom.id
        for symptom in symptoms
        if any(
            _occurs(_words(phrase), said, even_negated=symptom.red_flag) for phrase in symptom.words
        )
    )


def _words(text: str) -> list[str]:
    plain = "".join(c for c in normalize("NFKD", text.casefold()) if not combining(c))
    return "".join(c if c.isalnum() else " " for c in plain.replace("'", "")).split()


def _occurs(phrase: list[str], said: list[str], *, even_negated: bool) -> bool:
    return any(
        _matches_from(phrase, said, start)
        and (even_negated or start == 0 or said[start - 1] not in NEGATIONS)
        for start in range(len(said))
    )


def _matches_from(phrase: list[str], said: list[str], start: int) -> bool:
    if not phrase or not _same(phrase[0], said[start]):
        return False
    at = start
    for word in phrase[1:]:
        found = [i for i in range(at + 1, min(at + 2 + GAP, len(said))) if _same(word, said[i])]
        if not found:
            return False
        at = found[0]
    return True


def _same(word: str, said: str) -> bool:
    return any(said == word + ending for ending in ENDINGS)
