"""What time it is: the real time, or the demo's own.

The demo plays on an invented day. A file in its data folder says which instant of the demo fell on
which real one; from there its clock runs as fast as any other, so that whoever serves the demo or
gives it commands goes on with the day that was printed.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from api.settings import Settings

DEMO_FILE = "this-is-a-demo.json"
"""Lies in the data folder of a demo and in no other."""

TellTime = Callable[[], datetime]
"""Returns the present instant in whole seconds, UTC."""


def present() -> datetime:
    """Return the real present instant in whole seconds, UTC."""
    return datetime.now(UTC).replace(microsecond=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoClock:
    """A clock that showed an instant of the demo at a real instant, both UTC, and runs on."""

    showed: datetime
    at: datetime

    def __call__(self) -> datetime:
        return self.showed + (present() - self.at)


def set_demo_clock(folder: Path, *, showing: datetime) -> None:
    """Mark a data folder as that of a demo, in which it is ``showing`` now."""
    instants = {"showed": showing.isoformat(), "at": present().isoformat()}
    (folder / DEMO_FILE).write_text(json.dumps(instants) + "\n", encoding="utf-8")


def demo_clock(settings: Settings) -> DemoClock | None:
    """Return the clock of the demo these settings lead to; None when they lead to none.

    A database elsewhere is no demo's, whatever lies in the data folder.
    """
    file = settings.data_folder / DEMO_FILE
    own = Settings.in_folder(settings.data_folder).database_url
    if settings.database_url != own or not file.exists():
        return None
    instants = json.loads(file.read_text(encoding="utf-8"))
    return DemoClock(
        showed=datetime.fromisoformat(instants["showed"]),
        at=datetime.fromisoformat(instants["at"]),
    )


def time_of(settings: Settings) -> TellTime:
    """Return what tells the time to a process with these settings."""
    return demo_clock(settings) or present
