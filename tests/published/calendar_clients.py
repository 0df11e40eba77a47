"""A calendar program as people have it: vdirsyncer fetches the feed, khal lists what it holds."""

import os
import subprocess
import sys
from pathlib import Path

VDIRSYNCER_CONFIG = """
[general]
status_path = "{folder}/status"
[pair feed]
a = "remote"
b = "local"
collections = null
conflict_resolution = "a wins"
[storage remote]
type = "http"
url = "{address}"
[storage local]
type = "filesystem"
path = "{folder}/events"
fileext = ".ics"
"""
KHAL_CONFIG = """
[calendars]
[[feed]]
path = {folder}/events
[locale]
local_timezone = {zone}
default_timezone = {zone}
timeformat = %H:%M
dateformat = %Y-%m-%d
longdateformat = %Y-%m-%d
datetimeformat = %Y-%m-%d %H:%M
longdatetimeformat = %Y-%m-%d %H:%M
[sqlite]
path = {folder}/khal.db
"""


class CalendarClient:
    """Subscribed to one address, on a wall clock of its own."""

    def __init__(self, folder: Path, address: str, zone: str) -> None:
        folder.mkdir(exist_ok=True)
        self._folder = folder
        self._config = folder / "vdirsyncer.conf"
        self._config.write_text(VDIRSYNCER_CONFIG.format(folder=folder, address=address))
        (folder / "khal.conf").write_text(KHAL_CONFIG.format(folder=folder, zone=zone))
        self._run("vdirsyncer", "-c", str(self._config), "discover")

    def sync(self) -> None:
        """Fetch the feed."""
        self._run("vdirsyncer", "-c", str(self._config), "sync")

    def listing(self, first_day: str, days: int) -> list[str]:
        """Return what is shown: date, start, end, status and title of each entry."""
        return self._run(
            "khal", "-c", f"{self._folder}/khal.conf", "list", "-o", "--day-format", "",
            "--format", "{start-date} {start-time} {end-time} {status}{title}",
            first_day, f"{days}d",
        ).splitlines()  # fmt: skip

    def _run(self, command: str, *arguments: str) -> str:
        """Run an installed command with a home of its own; fail with what it says."""
        done = subprocess.run(
            [Path(sys.executable).parent / command, *arguments],
            env={"HOME": str(self._folder), "PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8"},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        return done.stdout
