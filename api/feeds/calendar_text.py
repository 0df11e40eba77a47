"""Calendar content lines (RFC 5545 section 3.1): cleaning, escaping and folding of text.

Readers differ in what they take for the end of a line and in whether they keep blanks there, so
text is first brought into a form that every one of them returns unchanged: see `clean_text`.
"""

import re
from collections.abc import Iterable
from functools import lru_cache

FOLD_OCTETS = 75
"""Longest physical line, in octets without its line break (RFC 5545 section 3.1)."""

# What Python's splitlines, JavaScript or a terminal may take for a line break, though the standard
# knows only CRLF: carriage return, vertical tab, form feed, file to record separators, next line,
# line and paragraph separator.
_LINE_BREAK = re.compile("\r\n|[\n\r\x0b\x0c\x1c-\x1e\x85\u2028\u2029]")
_CONTROL = re.compile("[\x00-\x08\x1f\x0e-\x1b\x7f-\x9f]")
_SURROGATE = re.compile("[\ud800-\udfff]")
_NEEDS_CLEANING = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")
_ESCAPED = str.maketrans({"\\": "\\\\", ";": "\\;", ",": "\\,", "\n": "\\n"})


def clean_text(text: str) -> str:
    """Return ``text`` as readers will give it back.

    Every kind of line break becomes ``\\n``, a tab becomes a blank, other control characters go
    (RFC 5545 allows none), a lone surrogate becomes U+FFFD, and blanks at the two ends go.
    """
    if _NEEDS_CLEANING.search(text):
        text = _LINE_BREAK.sub("\n", text).replace("\t", " ")
        text = _SURROGATE.sub("\ufffd", _CONTROL.sub("", text))
    return text.strip()


def escape(text: str) -> str:
    """Return cleaned ``text`` as a TEXT value (RFC 5545 section 3.3.11), escaped once."""
    return clean_text(text).translate(_ESCAPED)


@lru_cache(maxsize=8192)
def one_line(text: str) -> str:
    """Return ``text`` on a single line, runs of white space closed up.

    The same names and steps come again and again in a company's calendars.
    """
    return " ".join(clean_text(text).split())


def fold(line: str) -> str:
    """Fold one content line at 75 octets, never inside a character.

    Parameters
    ----------
    line
        Without a line break.

    Returns
    -------
    str
        The line, its pieces joined by CRLF and one blank; no line break at the end.
    """
    if len(line) <= FOLD_OCTETS and line.isascii():
        return line
    octets = line.encode()
    pieces = []
    start, room = 0, FOLD_OCTETS
    while len(octets) - start > room:
        end = start + room
        while octets[end] & 0xC0 == 0x80:  # a continuation byte: the character began before it
            end -= 1
        pieces.append(octets[start:end])
        start, room = end, FOLD_OCTETS - 1  # the blank that marks a continuation counts too
    pieces.append(octets[start:])
    return b"\r\n ".join(pieces).decode()


def join_lines(lines: Iterable[str]) -> bytes:
    """Return unfolded content lines as the octets of a calendar: folded, CRLF after each, UTF-8."""
    return "".join([fold(line) + "\r\n" for line in lines]).encode()
