"""Symptoms in a caller's own words."""

import pytest

from scheduler.catalogue import Symptom
from scheduler.spotting import spotted_symptoms


def symptom(symptom_id: str, *words: str, red_flag: bool = False) -> Symptom:
    return Symptom(
        id=symptom_id,
        name=symptom_id,
        question=f"{symptom_id}?",
        likelihoods={},
        background=0.1,
        words=words,
        red_flag=red_flag,
        make_safe="Keep away." if red_flag else None,
    )


SYMPTOMS = [
    symptom("cold", "cold", "no heat", "kein Dampf"),
    symptom("smoke", "burnt", "smoke", "brûlé", red_flag=True),
    symptom("taste", "burnt taste"),
    symptom("leak", "leaks at the group", "dripping"),
    symptom("socket", "water near socket", red_flag=True),
    symptom("trip", "trips", red_flag=True),
]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("The machine is COLD.", ("cold",)),
        ("there's no real heat", ("cold",)),  # one stray word is allowed
        ("heat is no problem", ()),  # a phrase with a negation keeps its order
        ("Es kommt kein Dampf", ("cold",)),
        ("ça sent le BRULE", ("smoke",)),
        ("smells of smoke", ("smoke",)),
        ("the coffee has a burnt taste", ("taste",)),  # the longer phrase counts
        ("it tastes burnt, and I see smoke", ("smoke", "taste")),
        ("water leaks from the group", ("leak",)),
        ("group is leaking", ("leak",)),
        ("it is not dripping", ()),
        ("no smoke so far", ("smoke",)),  # a red flag is never talked away
        ("water runs near the socket", ("socket",)),
        ("the breaker keeps tripping", ("trip",)),
        ("a strip of light", ()),  # whole words only
        ("", ()),
    ],
)
def test_words_are_spotted(text: str, expected: tuple[str, ...]) -> None:
    assert spotted_symptoms(text, SYMPTOMS) == expected
