"""The catalogue's English in another language: texts by the id of their entry, and fixed phrases.

English is what is stored and what is fallen back on. A translation is looked up by the English text
itself, so worksheets and headlines that have been stored as text are understood too.
"""

import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any, Final

_BLANK: Final = re.compile(r"\{(\w+)\}")
_NUMBERED: Final = re.compile(r"(.+) (\d+)")  # "group 2"
_WITH_PLACES: Final = re.compile(r"(.+) \((.+)\)")  # "Replace a group gasket (group 1, group 2)"
_KEPT: Final = 20_000  # texts remembered; a calendar says the same things over and over


@dataclass(frozen=True, slots=True, kw_only=True)
class Wording:
    """The texts of one entry in another language; those left out stay in English."""

    name: str | None = None
    text: str | None = None
    steps: tuple[str, ...] = ()
    question: str | None = None
    make_safe: str | None = None
    phone_fix: str | None = None
    superseded_because: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Translation:
    """One language, its id the code of the language.

    Attributes
    ----------
    skills, features, part_types, rules, set_points, openings and so on
        Wordings by the ids of the catalogue's table of that name.
    texts
        Other texts by their English: places, tools and the phrases of a worksheet. Words in braces
        are blanks to be filled in, the same ones in both.
    """

    id: str
    skills: Mapping[str, Wording] = field(default_factory=dict)
    features: Mapping[str, Wording] = field(default_factory=dict)
    part_types: Mapping[str, Wording] = field(default_factory=dict)
    rules: Mapping[str, Wording] = field(default_factory=dict)
    set_points: Mapping[str, Wording] = field(default_factory=dict)
    access_steps: Mapping[str, Wording] = field(default_factory=dict)
    openings: Mapping[str, Wording] = field(default_factory=dict)
    cautions: Mapping[str, Wording] = field(default_factory=dict)
    faults: Mapping[str, Wording] = field(default_factory=dict)
    symptoms: Mapping[str, Wording] = field(default_factory=dict)
    texts: Mapping[str, str] = field(default_factory=dict)

    def tables(self) -> Iterator[tuple[str, Mapping[str, Wording]]]:
        """Yield the tables of wordings with their names."""
        for each in fields(self):
            if each.name not in ("id", "texts"):
                yield each.name, getattr(self, each.name)

    def without(self, entries: Mapping[str, Collection[str]]) -> "Translation":
        """Return it without the wordings of some entries by table: their English has changed."""
        kept: dict[str, Any] = {
            table: {key: said for key, said in wordings.items() if key not in entries[table]}
            for table, wordings in self.tables()
        }
        return replace(self, **kept)

    def extended(self, more: "Translation") -> "Translation":
        """Return it with further wordings, which take the place of those of the same entries."""
        names = (each.name for each in fields(self) if each.name != "id")
        both: dict[str, Any] = {
            name: {**getattr(self, name), **getattr(more, name)} for name in names
        }
        return replace(self, **both)


class Translator:
    """Says English texts in another language; whatever it does not know stays English."""

    def __init__(self, texts: Mapping[str, str]) -> None:
        self._texts = {text: said for text, said in texts.items() if not _BLANK.search(text)}
        # the longest first: the more a phrase says itself, the surer it is meant
        phrases = sorted(
            texts.keys() - self._texts.keys(), key=lambda p: (-len(_BLANK.sub("", p)), p)
        )
        self._phrases = [(_pattern(phrase), texts[phrase]) for phrase in phrases]
        self._said: dict[str, str] = {}

    def __call__(self, text: str) -> str:
        """Return a text in the language: known whole, or put together from what is known."""
        said = self._said.get(text)
        if said is None:
            if len(self._said) >= _KEPT:
                self._said.clear()
            said = self._said[text] = self._put_together(text)
        return said

    def _put_together(self, text: str) -> str:
        if text in self._texts:
            return self._texts[text]
        for pattern, phrase in self._phrases:
            if found := pattern.fullmatch(text):
                blanks = {name: self(value) for name, value in found.groupdict().items()}
                return phrase.format(**blanks)
        if " + " in text:
            return " + ".join(self(part) for part in text.split(" + "))
        if found := _WITH_PLACES.fullmatch(text):
            places = ", ".join(self(place) for place in found[2].split(", "))
            return f"{self(found[1])} ({places})"
        if found := _NUMBERED.fullmatch(text):
            return f"{self(found[1])} {found[2]}"
        return text


def translator_between(
    tables: Mapping[str, Mapping[str, Any]], translation: Translation
) -> Translator:
    """Return what translates the texts of a catalogue's tables, each entry by its id."""
    texts = dict(translation.texts)
    for table, wordings in translation.tables():
        for entry_id, wording in wordings.items():
            if entry_id in tables[table]:
                texts.update(_pairs(tables[table][entry_id], wording))
    return Translator(texts)


def same_words(entry: Any, other: Any) -> bool:
    """Whether two entries say the same in English wherever a wording could stand for it."""
    keys = (each.name for each in fields(Wording))
    return all(getattr(entry, key, None) == getattr(other, key, None) for key in keys)


def wording_flaws(entry: Any, wording: Wording) -> Iterable[tuple[str, str]]:
    """Yield the key and what is wrong with a wording of an entry."""
    for each in fields(wording):
        given: Any = getattr(wording, each.name)
        english: Any = getattr(entry, each.name, None)
        if given and not english:
            yield each.name, "has no English text to stand for"
        elif isinstance(given, tuple) and given and len(given) != len(english):
            yield each.name, f"must be {len(english)} like the English, got {len(given)}"


def phrase_flaw(english: str, said: str) -> str | None:
    """Return what is wrong with a phrase: its blanks are not those of the English."""
    wanted, got = (sorted(_BLANK.findall(phrase)) for phrase in (english, said))
    return None if wanted == got else f"must fill in {wanted or 'nothing'}, got {got or 'nothing'}"


def _pairs(entry: Any, wording: Wording) -> Iterator[tuple[str, str]]:
    for each in fields(wording):
        english, said = getattr(entry, each.name, None), getattr(wording, each.name)
        if isinstance(said, tuple):
            yield from zip(english or (), said, strict=False)
        elif said and english:
            yield english, said


def _pattern(phrase: str) -> re.Pattern[str]:
    parts = _BLANK.split(phrase)
    return re.compile(
        "".join(f"(?P<{part}>.+?)" if n % 2 else re.escape(part) for n, part in enumerate(parts)),
        re.DOTALL,
    )
