import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.feeds.calendar_text import clean_text, escape, fold, join_lines, one_line

LINES = st.text(st.characters(codec="utf-8", exclude_characters="\r\n"), max_size=400)


@pytest.mark.parametrize(
    ("text", "escaped"),
    [
        ("Bar; Nord, \\o/", "Bar\\; Nord\\, \\\\o/"),
        ("one\ntwo\r\nthree\rfour", "one\\ntwo\\nthree\\nfour"),
        ("a\x0bb\x0cc\x1cd\x85e\u2028f\u2029g", "a\\nb\\nc\\nd\\ne\\nf\\ng"),
        ("bell\x07 null\x00 delete\x7f escape\x1b", "bell null delete escape"),
        ("tab\tstop", "tab stop"),
        ("\ud83d lone half", "\ufffd lone half"),
        ("  ends  ", "ends"),
        (r"written \n", r"written \\n"),
    ],
)
def test_escape_writes_text_once(text: str, escaped: str) -> None:
    assert escape(text) == escaped


@given(st.text())
def test_clean_text_is_settled(text: str) -> None:
    assert clean_text(clean_text(text)) == clean_text(text)


@given(st.text())
def test_escaped_text_has_no_control_character_and_encodes(text: str) -> None:
    escaped = escape(text)

    assert [
        character for character in escaped if ord(character) < 32 or ord(character) == 127
    ] == []
    assert escaped.encode().decode() == escaped
    assert len((escaped + ".").splitlines()) == 1


def test_one_line_closes_up_white_space() -> None:
    assert one_line(" Hafen \n str.\t3\u00a0 b ") == "Hafen str. 3 b"


@given(LINES)
def test_folded_line_unfolds_to_itself(line: str) -> None:
    assert fold(line).replace("\r\n ", "") == line


@given(LINES)
def test_folded_pieces_are_whole_characters_of_75_octets_at_most(line: str) -> None:
    pieces = fold(line).encode().split(b"\r\n")

    assert [piece for piece in pieces if len(piece) > 75] == []
    assert (
        "".join(piece.decode() for piece in pieces).count(" ") == line.count(" ") + len(pieces) - 1
    )


def test_fold_fills_each_line_as_far_as_whole_characters_go() -> None:
    # 75 octets, then 1 blank + 74; "ä" has 2 octets, so 37 fit with 74 octets, then 37 with 75.
    assert fold("a" * 160) == "a" * 75 + "\r\n " + "a" * 74 + "\r\n " + "a" * 11
    assert fold("ä" * 80) == "ä" * 37 + "\r\n " + "ä" * 37 + "\r\n " + "ä" * 6


def test_fold_leaves_a_line_of_75_octets_alone() -> None:
    assert fold("ä" * 37 + "a") == "ä" * 37 + "a"


def test_join_lines_ends_every_line_with_crlf() -> None:
    assert join_lines(["BEGIN:X", "END:X"]) == b"BEGIN:X\r\nEND:X\r\n"
