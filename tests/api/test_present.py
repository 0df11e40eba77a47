"""A demo's clock goes on from the demo's day; nothing but a demo has one."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

from api.present import DEMO_FILE, demo_clock, present, set_demo_clock, time_of
from api.settings import Settings

LATE_CALL = datetime(2027, 3, 22, 8, 40, tzinfo=UTC)


def test_a_demos_clock_runs_on_from_the_instant_it_was_set_to(tmp_path: Path) -> None:
    set_demo_clock(tmp_path, showing=LATE_CALL)
    a_while_ago = present() - timedelta(minutes=50)
    file = tmp_path / DEMO_FILE
    file.write_text(json.dumps(json.loads(file.read_text()) | {"at": a_while_ago.isoformat()}))

    shown = time_of(Settings.in_folder(tmp_path))()

    assert timedelta() <= shown - (LATE_CALL + timedelta(minutes=50)) < timedelta(minutes=1)


def test_a_folder_without_a_demo_has_the_real_time(tmp_path: Path) -> None:
    assert time_of(Settings.in_folder(tmp_path)) is present


def test_a_company_elsewhere_has_the_real_time_whatever_lies_in_the_data_folder(
    tmp_path: Path,
) -> None:
    set_demo_clock(tmp_path, showing=LATE_CALL)
    elsewhere = Settings.in_folder(tmp_path, database_url="postgresql://plan@db/steam")

    assert demo_clock(elsewhere) is None
    assert time_of(elsewhere) is present
