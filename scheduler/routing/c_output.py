"""Keeping what C code prints off the standard output, while what Python writes appears as ever.

Python writes past C's ``stdout``. In the GNU C library that is a variable which may be set like any
other (its manual, "Standard Streams"); with another library nothing is changed.
"""

import ctypes
import os
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from threading import Lock

_counting = Lock()
_before: list[int | None] = []  # for each that wants quiet, the innermost last


@contextmanager
def c_output_dropped() -> Iterator[None]:
    """Drop what C code of this process prints meanwhile; any number of threads may ask for it."""
    streams = _streams()
    if streams is None:
        yield
        return
    stdout, nowhere = streams
    with _counting:
        _before.append(stdout.value)
        stdout.value = nowhere
    try:
        yield
    finally:
        with _counting:
            before = _before.pop()  # whichever it is: all but the first are `nowhere`
            stdout.value = before


@cache
def _streams() -> tuple[ctypes.c_void_p, int] | None:
    """Return C's ``stdout`` and a stream that leads nowhere, None where they cannot be had."""
    if "CS_GNU_LIBC_VERSION" not in os.confstr_names:
        return None
    library = ctypes.CDLL(None)
    library.fopen.restype = ctypes.c_void_p
    nowhere = library.fopen(os.devnull.encode(), b"w")
    return (ctypes.c_void_p.in_dll(library, "stdout"), nowhere) if nowhere else None
