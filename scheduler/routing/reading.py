"""What a JSON document holds, field by field, and everything that is wrong with it.

A reader that stops at the first flaw makes its user mend a file one run at a time. Here every
field hands back a harmless stand-in when it is wrong and notes the flaw, so that one reading
lists them all.
"""

import gzip
import json
from pathlib import Path
from typing import Any

from scheduler.errors import Flaw

GZIP_MAGIC = b"\x1f\x8b"


class Flaws:
    """The flaws noted so far, at most one for each path."""

    def __init__(self) -> None:
        self._by_path: dict[str, Flaw] = {}

    def note(self, path: str, message: str) -> None:
        """Note a flaw unless its path has one already (the first is the cause)."""
        self._by_path.setdefault(path, Flaw(path=path, message=message))

    def note_all(self, flaws: tuple[Flaw, ...], under: str) -> None:
        """Note the flaws a value found in itself, with its place in the document put before."""
        for flaw in flaws:
            self.note(f"{under}.{flaw.path}" if flaw.path else under, flaw.message)

    def __len__(self) -> int:
        return len(self._by_path)

    def as_tuple(self) -> tuple[Flaw, ...]:
        """Return the flaws in the order they were noted."""
        return tuple(self._by_path.values())


class Fields:
    """One JSON object under inspection: typed access to its fields.

    Parameters
    ----------
    value
        What stands in the document; anything but an object is a flaw.
    path
        Where it stands, such as ``visits[3]``; empty for the document itself.
    flaws
        Where flaws are noted.
    """

    def __init__(self, value: object, path: str, flaws: Flaws) -> None:
        if not isinstance(value, dict):
            flaws.note(path or "document", f"must be an object {{...}}, got {shown(value)}")
            value = {}
            self._usable = False
        else:
            self._usable = True
        self._value: dict[str, Any] = value
        self._path = path
        self._flaws = flaws

    def path(self, key: str) -> str:
        """Return where the field `key` stands in the document."""
        return f"{self._path}.{key}" if self._path else key

    def has(self, key: str) -> bool:
        """Tell whether the field is there and not null."""
        return self._value.get(key) is not None

    def raw(self, key: str) -> object:
        """Return the field as it stands, None (and a flaw) when it is missing."""
        if not self.has(key):
            self._wrong(key, "is missing; add it")
            return None
        return self._value[key]

    def text(self, key: str) -> str:
        """Return a string field."""
        value = self.raw(key)
        if isinstance(value, str):
            return value
        self._wrong(key, f"must be a text in quotes, got {shown(value)}")
        return "?"

    def whole(self, key: str) -> int:
        """Return a whole-number field."""
        value = self.raw(key)
        if isinstance(value, int) and not isinstance(value, bool):
            return value
        self._wrong(key, f"must be a whole number, got {shown(value)}")
        return 0

    def number_or_none(self, key: str) -> float | None:
        """Return a number field that may be absent."""
        if not self.has(key):
            return None
        value = self._value[key]
        if isinstance(value, int | float) and not isinstance(value, bool):
            return float(value)
        self._wrong(key, f"must be a number, got {shown(value)}")
        return None

    def array(self, key: str, *, optional: bool = False) -> list[Any]:
        """Return an array field; empty when it is optional and absent."""
        if optional and not self.has(key):
            return []
        value = self.raw(key)
        if isinstance(value, list):
            return value
        self._wrong(key, f"must be an array [...], got {shown(value)}")
        return []

    def texts(self, key: str) -> frozenset[str]:
        """Return an optional array of strings as a set."""
        values = self.array(key, optional=True)
        for at, value in enumerate(values):
            if not isinstance(value, str):
                self._wrong(f"{key}[{at}]", f"must be a text in quotes, got {shown(value)}")
        return frozenset(value for value in values if isinstance(value, str))

    def whole_pairs(self, key: str) -> tuple[tuple[int, int], ...]:
        """Return an array of [from, to] pairs of whole numbers."""
        pairs = []
        for at, value in enumerate(self.array(key)):
            if isinstance(value, list) and len(value) == 2 and set(map(type, value)) == {int}:
                pairs.append((value[0], value[1]))
            else:
                self._wrong(f"{key}[{at}]", f"must be two whole numbers, got {shown(value)}")
        return tuple(pairs)

    def whole_by_name(self, key: str) -> dict[str, int]:
        """Return an optional object of whole numbers."""
        if not self.has(key):
            return {}
        inner = Fields(self._value[key], self.path(key), self._flaws)
        return {name: inner.whole(name) for name in inner._value}

    def _wrong(self, key: str, message: str) -> None:
        if self._usable:
            self._flaws.note(self.path(key), message)


def shown(value: object) -> str:
    """Return a value as it looks in JSON, cut to a length fit for a message."""
    text = json.dumps(value, default=repr)
    return text if len(text) <= 60 else f"{text[:57]}..."


def load_json(path: Path, flaws: Flaws) -> object:
    """Read a JSON file, packed with gzip or not.

    Parameters
    ----------
    path
        The file. An unreadable one raises OSError, as everywhere.
    flaws
        Told when the content is not JSON.

    Returns
    -------
    object
        The document; None when it is not JSON.
    """
    content = path.read_bytes()
    try:
        if content.startswith(GZIP_MAGIC):
            content = gzip.decompress(content)
        return json.loads(content)
    except json.JSONDecodeError as error:
        flaws.note(f"line {error.lineno}", f"column {error.colno} is not JSON: {error.msg}")
    except (EOFError, OSError, UnicodeDecodeError) as error:
        flaws.note("document", f"cannot be unpacked or decoded ({error}); is the file whole?")
    except RecursionError:
        flaws.note("document", "is nested too deeply to be a file of this kind")
    return None


def save_json(document: object, path: Path) -> None:
    """Write a JSON file, packed with gzip when its name ends in .gz.

    The packed bytes hold no clock time, so that equal documents give equal files.
    """
    content = json.dumps(document, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"
    path.write_bytes(gzip.compress(content, mtime=0) if path.suffix == ".gz" else content)
