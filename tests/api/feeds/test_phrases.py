"""Every language says the same things, and a technician reads them in their own."""

from collections.abc import Mapping
from dataclasses import asdict, replace
from datetime import UTC, datetime
from string import Formatter

import pytest

from api.feeds.phrases import ENGLISH, PHRASES, Language
from api.feeds.wording import busy_event, site_event, technician_event
from tests.api.feeds.test_feed_wording import BRIEF, CALLBACK, START

DOMAIN = "steamround.example"


def fields_of(text: str) -> set[str]:
    return {name for _, name, _, _ in Formatter().parse(text) if name}


@pytest.mark.parametrize("language", PHRASES)
def test_every_language_fills_in_the_same_and_leaves_nothing_empty(language: Language) -> None:
    english = asdict(ENGLISH)
    for name, value in asdict(PHRASES[language]).items():
        if isinstance(value, Mapping):
            assert (value.keys(), all(value.values())) == (english[name].keys(), True)
        elif isinstance(value, tuple):
            assert (len(set(value)), all(value)) == (len(english[name]), True)
        else:
            assert value, name
            assert fields_of(value) == fields_of(english[name]), name


def test_technician_reads_french() -> None:
    french = replace(CALLBACK, language="fr", moved_from=datetime(2026, 10, 22, 7, tzinfo=UTC))
    event = technician_event(french, domain=DOMAIN)

    assert event.summary == "Urgent, déplacé : Café Möwe, Husum : No steam"
    assert (
        event.description
        == """\
Initialement prévu jeu. 22 oct. 2026 à 09:00.
ven. 23 oct. 2026, de 09:30 à 11:05 (1 h 35 min).
Prévu ; l’heure peut encore changer.
Intervention due avant ven. 23 oct. 2026 14:00.
Environ 25 min de route : partir à 09:05 au plus tard.

À emporter
2 × Group gasket 8.5 mm
1 × Steam valve kit

Outils
Descaling bucket

Accès
Back door, code 4711#.

Sur place
Ole Petersen +49 4841 555 0100

Attention
- Let the steam boiler lose all pressure before opening the valve.
- Les règles locales priment ; gaz, courant et pression uniquement avec l’habilitation requise.

Ordre du travail
1. Sign in at the bar (5 min)
[Bar left]
2. Switch off, cool down (30 min, continuer entre-temps)
3. Rebuild steam valve (25 min)"""
    )
    assert event.categories == ("Dépannage",)


def test_short_text_keeps_what_is_needed_on_the_way_and_every_caution() -> None:
    event = technician_event(replace(BRIEF, short=True), domain=DOMAIN)

    assert (
        event.description
        == """\
Fri 23 Oct 2026, 09:30 to 11:05 (1 h 35 min).
The client has been promised this time.
Drive of about 25 min: leave by 09:05.

Bring
2 × Group gasket 8.5 mm
1 × Steam valve kit

Getting in
Back door, code 4711#.

On site
Ole Petersen +49 4841 555 0100

Take care
- Let the steam boiler lose all pressure before opening the valve.
- Local rules come first; gas, mains and pressure work only with the licence for it."""
    )


def test_other_readers_read_their_language_too() -> None:
    french = replace(BRIEF, language="fr")

    assert busy_event(french, domain=DOMAIN).summary == "Au travail"
    assert (
        site_event(french, domain=DOMAIN).description
        == """\
ven. 23 oct. 2026, de 09:30 à 11:05 (1 h 35 min).
Cette heure a été promise au client.
Inga Voss viendra.

Bar left sera à l’arrêt d’environ 09:35 à 11:00 : inutilisable.
Ne la remettez pas en marche avant que le technicien vous la rende : elle peut être ouverte, \
brûlante ou sous pression."""
    )
    assert french.start == START
