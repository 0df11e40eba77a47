"""What the catalogue files say: TOML text → typed catalogue, or every flaw with its file and line.

The keys of a table are the fields of the type it is read into, so the files have no vocabulary of
their own. Reading goes on after a flaw: one run names them all.
"""

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import MISSING, Field, fields, is_dataclass, replace
from enum import StrEnum
from types import NoneType, UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

from scheduler.catalogue import (
    AccessStep,
    Catalogue,
    Caution,
    Fault,
    Feature,
    Opening,
    PartType,
    Position,
    ServiceRule,
    SetPoint,
    Skill,
    Symptom,
    Thermal,
    UsePerDrink,
)
from scheduler.catalogue_links import flaws_between
from scheduler.errors import Flaw, InvalidCatalogue
from scheduler.translations import Translation, same_words

BY_ID: Mapping[str, type] = {
    "skills": Skill,
    "features": Feature,
    "part_types": PartType,
    "rules": ServiceRule,
    "set_points": SetPoint,
    "access_steps": AccessStep,
    "openings": Opening,
    "cautions": Caution,
    "faults": Fault,
    "symptoms": Symptom,
    "translations": Translation,
}
IN_ORDER: Mapping[str, type] = {
    "positions": Position,
    "thermals": Thermal,
    "use_per_drink": UsePerDrink,
}
UNREADABLE: Any = object()  # stands for a value that already has its flaw


def parse_catalogue(files: Mapping[str, str]) -> Catalogue:
    """Read a catalogue from the texts of its files, which may share out the tables as they like.

    Parameters
    ----------
    files : TOML text by file name. Tables ``[rules.some_id]`` are entries with an id; lists
        ``[[positions]]``, ``[[thermals]]`` and ``[[use_per_drink]]`` are kept in order.

    Raises
    ------
    InvalidCatalogue
        With every flaw in every file: syntax, unknown and missing keys, values of the wrong type
        or out of range, names that nothing has.
    """
    reader = _Reader()
    for name, text in files.items():
        reader.read_file(name, text)
    catalogue = reader.catalogue()
    reader.add_flaws(reader.renumbered(flaws_between(catalogue, declared=reader.declared)))
    if reader.flaws:
        raise InvalidCatalogue(tuple(reader.flaws))
    return catalogue


def amended_catalogue(catalogue: Catalogue, text: str, *, name: str = "change") -> Catalogue:
    """Return a catalogue with some entries changed or added, as a TOML text says.

    Parameters
    ----------
    text : tables ``[rules.some_id]`` and the like. Of an entry there is, the keys given take the
        place of its own, each whole, and the others stay; a new entry is said whole. Wordings in
        another language are added to those there are; where the English changes and nothing is
        said of the other language, that entry is English there too. Lists kept in order cannot be
        changed this way.
    name : what flaws call the text.

    Raises
    ------
    InvalidCatalogue
        With every flaw of the text, and of what would no longer fit together.
    """
    known: dict[str, Any] = {table: getattr(catalogue, table) for table in BY_ID}
    reader = _Reader({**known, "translations": {}})
    reader.read_file(name, text)
    for table, entries in reader.in_order.items():
        if entries:
            reader.add_flaws((Flaw(path=table, message="must be changed in the files"),))
    tables: dict[str, Any] = {
        table: {**known[table], **entries} for table, entries in reader.by_id.items()
    }
    tables["translations"] = _translated(known, tables)
    amended = replace(catalogue, **tables)
    declared = {table: {*tables[table], *ids} for table, ids in reader.declared.items()}
    reader.add_flaws(flaws_between(amended, declared=declared))
    if reader.flaws:
        raise InvalidCatalogue(tuple(reader.flaws))
    return amended


def _translated(
    before: Mapping[str, Mapping[str, Any]], after: Mapping[str, Mapping[str, Any]]
) -> dict[str, Translation]:
    """Return the translations before, less what no longer says the same, with what is new."""
    reworded = {
        table: {entry for entry in entries if not same_words(entries[entry], after[table][entry])}
        for table, entries in before.items()
        if table != "translations"
    }
    kept = {
        language: translation.without(reworded)
        for language, translation in before["translations"].items()
    }
    for language, translation in after["translations"].items():
        if translation is not before["translations"].get(language):
            known = kept.get(language, Translation(id=language))
            kept[language] = known.extended(translation)
    return kept


class _Reader:
    """Collects entries and flaws over all files of one catalogue.

    ``known`` holds entries there are already, by table and id: of these only keys are read.
    """

    def __init__(self, known: Mapping[str, Mapping[str, Any]] | None = None) -> None:
        self._known = known or {}
        self.flaws: list[Flaw] = []
        self.by_id: dict[str, dict[str, Any]] = {table: {} for table in BY_ID}
        self.in_order: dict[str, dict[int, Any]] = {table: {} for table in IN_ORDER}
        self.declared: dict[str, set[str]] = {table: set() for table in BY_ID}
        self._places: dict[str, tuple[str, int]] = {}  # path -> file and line
        self._listed = dict.fromkeys(IN_ORDER, 0)  # entries seen so far, unreadable ones too

    def catalogue(self) -> Catalogue:
        """Return what could be read; an unreadable entry in a list leaves no gap."""
        tables: dict[str, Any] = dict(self.by_id)
        for table, entries in self.in_order.items():
            tables[table] = tuple(entries.values())
        return Catalogue(**tables)

    def add_flaws(self, flaws: tuple[Flaw, ...], below: str = "") -> None:
        """Add flaws whose paths count from ``below``, each with the file and line it is in."""
        for flaw in flaws:
            path = f"{below}.{flaw.path}" if below else flaw.path
            known = path
            while known and known not in self._places:
                known = known.rpartition(".")[0]
            where = "{} line {}, ".format(*self._places[known]) if known else ""
            self.flaws.append(Flaw(path=where + path, message=flaw.message))

    def renumbered(self, flaws: tuple[Flaw, ...]) -> tuple[Flaw, ...]:
        """Return flaws of :meth:`catalogue` with the numbers list entries have in the files."""

        def in_files(match: re.Match[str]) -> str:
            return f"{match[1]}[{list(self.in_order[match[1]])[int(match[2])]}]"

        return tuple(
            replace(flaw, path=re.sub(r"^(\w+)\[(\d+)\]", in_files, flaw.path)) for flaw in flaws
        )

    def read_file(self, name: str, text: str) -> None:
        try:
            content = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            line = re.search(r"at line (\d+)", str(error))
            number = int(line[1]) if line else text.count("\n") + 1
            self.flaws.append(Flaw(path=f"{name} line {number}", message=f"not TOML: {error}"))
            return
        self._places |= self._places_in(name, text)
        for table, entries in content.items():
            if table in BY_ID and isinstance(entries, dict):
                self._read_by_id(table, entries)
            elif table in IN_ORDER and isinstance(entries, list):
                self._read_in_order(table, entries)
            else:
                message = _unknown({*BY_ID, *IN_ORDER})
                if table in BY_ID:
                    message = f"must be written as [{table}.some_id]"
                elif table in IN_ORDER:
                    message = f"must be written as [[{table}]]"
                self.add_flaws((Flaw(path=table, message=message),))

    def _places_in(self, name: str, text: str) -> dict[str, tuple[str, int]]:
        places: dict[str, tuple[str, int]] = {}
        for path, line in _lines_of_keys(text, first_numbers=self._listed):
            places.setdefault(path, (name, line))
            places.setdefault(path.partition(".")[0], (name, line))
        return places

    def _read_by_id(self, table: str, entries: dict[str, Any]) -> None:
        for entry_id, values in entries.items():
            path = f"{table}.{entry_id}"
            if entry_id in self.declared[table]:
                message = "is there twice: the id is taken in another file"
                self.add_flaws((Flaw(path=path, message=message),))
                continue
            self.declared[table].add(entry_id)
            if isinstance(values, dict):
                if values.get("id", entry_id) != entry_id:
                    self._refuse(f"{path}.id", f"must be {entry_id!r} as in the name of its table")
                values = {**values, "id": entry_id}
            known = self._known.get(table, {}).get(entry_id)
            entry = self._read_fields(BY_ID[table], values, path, known)
            if entry is not UNREADABLE:
                self.by_id[table][entry_id] = entry

    def _read_in_order(self, table: str, entries: list[Any]) -> None:
        for values in entries:
            number = self._listed[table]
            self._listed[table] += 1
            entry = self._read(IN_ORDER[table], values, f"{table}[{number}]")
            if entry is not UNREADABLE:
                self.in_order[table][number] = entry

    def _read(self, wanted: Any, value: Any, path: str) -> Any:
        """Return ``value`` as the wanted type, or UNREADABLE after adding its flaws."""
        if is_dataclass(wanted):
            return self._read_fields(wanted, value, path)
        origin, arguments = get_origin(wanted), get_args(wanted)
        if origin in (Union, UnionType):
            (wanted,) = (argument for argument in arguments if argument is not NoneType)
            return self._read(wanted, value, path)
        if origin is frozenset or (origin is tuple and arguments[-1] is Ellipsis):
            return self._read_list(origin, arguments[0], value, path)
        if origin is tuple:
            return self._read_pair(arguments, value, path)
        if origin is Mapping:
            return self._read_table(arguments[1], value, path)
        if issubclass(wanted, StrEnum):
            if value in list(wanted):
                return wanted(value)
            return self._refuse(path, f"must be one of {', '.join(wanted)}, got {value!r}")
        if wanted is float and isinstance(value, int) and not isinstance(value, bool):
            return float(value)
        if type(value) is not wanted:
            return self._refuse(path, f"must be {_IN_WORDS[wanted]}, got {value!r}")
        return value

    def _read_fields(self, wanted: Any, value: Any, path: str, known: Any = None) -> Any:
        """Return ``value`` as a dataclass, or ``known`` with the keys of ``value`` changed."""
        if not isinstance(value, dict):
            return self._refuse(path, f"must be a table, got {value!r}")
        keys = {field.name: field for field in fields(wanted) if field.init}
        required = [key for key, field in keys.items() if known is None and _is_required(field)]
        missing = [key for key in required if key not in value]
        hints = get_type_hints(wanted)
        read = {
            key: self._read(hints[key], item, f"{path}.{key}") if key in keys else UNREADABLE
            for key, item in value.items()
        }
        self.add_flaws(
            (
                *(Flaw(path=key, message=_unknown(keys)) for key in value if key not in keys),
                *(Flaw(path=key, message="is missing") for key in missing),
            ),
            below=path,
        )
        if UNREADABLE in read.values() or missing:
            return UNREADABLE
        try:
            return wanted(**read) if known is None else replace(known, **read)
        except InvalidCatalogue as error:
            self.add_flaws(error.flaws, below=path)
            return UNREADABLE

    def _read_list(self, origin: Any, wanted: Any, value: Any, path: str) -> Any:
        if not isinstance(value, list):
            return self._refuse(path, f"must be a list, got {value!r}")
        items = [self._read(wanted, item, path) for item in value]
        return UNREADABLE if UNREADABLE in items else origin(items)

    def _read_pair(self, wanted: tuple[Any, ...], value: Any, path: str) -> Any:
        if not isinstance(value, list) or len(value) != len(wanted):
            return self._refuse(path, f"must hold lists of {len(wanted)} numbers, got {value!r}")
        items = [self._read(a, item, path) for a, item in zip(wanted, value, strict=True)]
        return UNREADABLE if UNREADABLE in items else tuple(items)

    def _read_table(self, wanted: Any, value: Any, path: str) -> Any:
        if not isinstance(value, dict):
            return self._refuse(path, f"must be a table, got {value!r}")
        items = {key: self._read(wanted, item, f"{path}.{key}") for key, item in value.items()}
        return UNREADABLE if UNREADABLE in items.values() else items

    def _refuse(self, path: str, message: str) -> Any:
        self.add_flaws((Flaw(path=path, message=message),))
        return UNREADABLE


_IN_WORDS: Mapping[type, str] = {
    str: "text in quotes",
    bool: "true or false",
    int: "a whole number",
    float: "a number",
}


def _is_required(field: Field[Any]) -> bool:
    return field.default is MISSING and field.default_factory is MISSING


def _unknown(known: Mapping[str, Any] | set[str]) -> str:
    return f"is not known; known are {', '.join(sorted(known))}"


_KEY = r"""(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')"""
_DOTTED = rf"{_KEY}(?:[ \t]*\.[ \t]*{_KEY})*"
_HEADER = re.compile(rf"[ \t]*(\[{{1,2}})[ \t]*({_DOTTED})[ \t]*\]{{1,2}}")
_ASSIGNMENT = re.compile(rf"[ \t]*({_DOTTED})[ \t]*=")
_TOKEN = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}'
    r"|'''.*?'{3,5}"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'"
    r"|\#[^\n]*"
    r"|[\[\]{}\n]"
    r"|[^\[\]{}\n\"'\#]+",
    re.DOTALL,
)


def _lines_of_keys(text: str, first_numbers: Mapping[str, int]) -> Iterator[tuple[str, int]]:
    """Yield the path and line of every header and key of a sound TOML text.

    tomllib keeps no positions. Entries of a list ``[[table]]`` are numbered from
    ``first_numbers[table]``; a key inside a value in braces has the line of the key before them.
    """
    numbers: dict[str, int] = {}
    header, position, line = "", 0, 1
    while position < len(text):
        if match := _HEADER.match(text, position):
            header = _path(match[2])
            table, dot, rest = header.partition(".")
            if match[1] == "[[":
                numbers[table] = numbers.get(table, first_numbers.get(table, 0) - 1) + 1
            if table in numbers:
                header = f"{table}[{numbers[table]}]{dot}{rest}"
            yield header, line
            position = match.end()
        elif match := _ASSIGNMENT.match(text, position):
            yield f"{header}.{_path(match[1])}".lstrip("."), line
            position = match.end()
        position, line = _end_of_value(text, position, line)


def _path(dotted: str) -> str:
    return ".".join(part.strip("\"'") for part in re.findall(_KEY, dotted))


def _end_of_value(text: str, position: int, line: int) -> tuple[int, int]:
    """Return where the line after a value begins, and its number; brackets span lines."""
    depth = 0
    while position < len(text):
        match = _TOKEN.match(text, position)
        assert match is not None, "tomllib has read this text"
        token = match[0]
        position = match.end()
        line += token.count("\n")
        depth += (token in ("[", "{")) - (token in ("]", "}"))
        if token == "\n" and depth == 0:
            break
    return position, line
