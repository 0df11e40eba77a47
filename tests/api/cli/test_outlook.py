"""``steamround outlook``: two tables and a sentence."""

from pathlib import Path

from typer.testing import CliRunner

from api.cli import app
from api.storage.database import Database
from tests.api.actions.conftest import fill


def test_the_outlook_shows_months_a_year_of_visits_and_what_sharing_saves(tmp_path: Path) -> None:
    database = Database(f"sqlite:///{tmp_path / 'steamround.sqlite'}")
    database.create_or_upgrade()
    fill(database)
    database.close()
    arguments = ["outlook", "--months", "6", "--first-day", "2027-03-22"]

    shown = CliRunner().invoke(app, [*arguments, "--data-folder", str(tmp_path)])

    assert shown.exit_code == 0, shown.output
    lines = shown.output.splitlines()
    months = [line for line in lines if line.startswith("│ 22 ")]
    assert [line.split("│")[1].strip() for line in months[:6]] == [
        "22 Mar 2027",
        "22 Apr 2027",
        "22 May 2027",
        "22 Jun 2027",
        "22 Jul 2027",
        "22 Aug 2027",
    ]
    (year,) = [line for line in lines if line.startswith("│ The year")]
    missed = year.split("│")[-2].strip()
    assert missed == "0"
    assert any(line.startswith("Sharing visits costs ") for line in lines)

    brief = CliRunner().invoke(app, [*arguments, "--no-visits", "--data-folder", str(tmp_path)])
    assert "The year" not in brief.output
