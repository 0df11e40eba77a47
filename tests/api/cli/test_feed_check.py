from pathlib import Path

import pytest
from typer.testing import CliRunner

from api.cli import app
from tests.api.feeds.test_checking import GOOD


@pytest.mark.parametrize(
    ("octets", "status", "said"),
    [
        (GOOD, 0, "Nothing to dislike.\n"),
        (GOOD.replace(b"X-WR-CALNAME", b"X-OTHER"), 0, "note  no X-WR-CALNAME"),
        (GOOD.replace(b"UID:a2@", b"UID:a1@"), 1, "wrong  event a1@steamround.example: stands 2"),
    ],
)
def test_a_file_is_judged_in_words_and_by_exit_status(
    tmp_path: Path, octets: bytes, status: int, said: str
) -> None:
    file = tmp_path / "calendar.ics"
    file.write_bytes(octets)

    result = CliRunner().invoke(app, ["feed", "check", str(file)])

    assert (result.exit_code, said in result.output) == (status, True)
