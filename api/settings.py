"""What an operator sets: where the data lies and under which address the service is reached."""

import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from urllib.parse import urlsplit

from scheduler.errors import InvalidInput

PREFIX = "STEAMROUND_"
DATA_FOLDER = "STEAMROUND_DATA_FOLDER"
DATABASE_URL = "STEAMROUND_DATABASE_URL"
PUBLIC_URL = "STEAMROUND_PUBLIC_URL"
REQUESTS_PER_MINUTE = "STEAMROUND_REQUESTS_PER_MINUTE"
WEBHOOKS_TO_LOOPBACK = "STEAMROUND_WEBHOOKS_TO_LOOPBACK"
ROADS_URL = "STEAMROUND_ROADS_URL"
PLANNING_THREADS = "STEAMROUND_PLANNING_THREADS"

COMPILED_FOLDER = "compiled"
"""The folder of the data folder that keeps compiled code; safe to delete at any time."""

DEFAULT_PUBLIC_URL = "http://127.0.0.1:8000"
"""Where a service is reached of which nobody has said anything."""

_KNOWN = (
    DATA_FOLDER,
    DATABASE_URL,
    PUBLIC_URL,
    REQUESTS_PER_MINUTE,
    WEBHOOKS_TO_LOOPBACK,
    ROADS_URL,
    PLANNING_THREADS,
)
_DEFAULT_FOLDER = "steamround-data"
_DEFAULT_REQUESTS_PER_MINUTE = 600
_MOST_THREADS_UNASKED = 8
_DRIVERS = ("sqlite", "postgresql+psycopg")


def spare_cores() -> int:
    """Return how many cores may plan: those this process may use but one, from 1 to 8.

    The one left serves meanwhile; more than eight searches add little and take memory.
    """
    own = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(1, min(own - 1, _MOST_THREADS_UNASKED))


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """The settings of one process.

    Attributes
    ----------
    data_folder
        Holds the embedded database and compiled code; absolute.
    database_url
        ``sqlite:///FILE`` or ``postgresql+psycopg://...``.
    public_url
        How the world reaches the service, without a slash at the end. Feed addresses and links in
        calendars begin with it. None where nobody has said: whoever serves then knows from the
        port, and other commands from whoever served last.
    requests_per_minute
        How many requests one API key may make to one process.
    webhooks_to_loopback
        Whether an endpoint may be plain http on this very machine: for development only, since
        whoever has a portal key can then make the service call anything that listens here.
    roads_url
        Address of a road service (``api.road_service``), without a slash at the end; None where
        travel is estimated.
    planning_threads
        How many searches work on one plan at once, each on a core of its own.
    """

    data_folder: Path
    database_url: str
    public_url: str | None = None
    requests_per_minute: int = _DEFAULT_REQUESTS_PER_MINUTE
    webhooks_to_loopback: bool = False
    roads_url: str | None = None
    planning_threads: int = field(default_factory=spare_cores)

    def __post_init__(self) -> None:
        if not self.data_folder.is_absolute():
            raise InvalidInput(f"the data folder must be absolute, got {self.data_folder}")
        scheme = self.database_url.partition("://")[0]
        if scheme not in _DRIVERS:
            raise InvalidInput(
                f"{DATABASE_URL} must begin with sqlite:/// or postgresql://, got {scheme!r}"
            )
        if self.public_url is not None:
            _check_address(PUBLIC_URL, self.public_url, "https://plan.example.org")
        if self.roads_url is not None:
            _check_address(ROADS_URL, self.roads_url, "http://roads:8002")
        if self.requests_per_minute < 1:
            raise InvalidInput(
                f"{REQUESTS_PER_MINUTE} must be at least 1, got {self.requests_per_minute}"
            )
        if self.planning_threads < 1:
            raise InvalidInput(
                f"{PLANNING_THREADS} must be at least 1, got {self.planning_threads}"
            )

    @classmethod
    def from_environment(cls, environment: Mapping[str, str]) -> "Settings":
        """Read the variables ``STEAMROUND_*``; what is not set has a default.

        Raises
        ------
        InvalidInput
            When a value breaks its rules, or a variable has a name nobody reads.
        """
        for name in environment:
            if name.startswith(PREFIX) and name not in _KNOWN:
                raise InvalidInput(f"unknown setting {name}: known are {', '.join(_KNOWN)}")
        settings = cls.in_folder(
            Path(environment.get(DATA_FOLDER) or _DEFAULT_FOLDER),
            database_url=environment.get(DATABASE_URL),
            public_url=environment.get(PUBLIC_URL) or None,
        )
        return replace(
            settings,
            requests_per_minute=_whole_number(
                REQUESTS_PER_MINUTE,
                environment.get(REQUESTS_PER_MINUTE) or str(_DEFAULT_REQUESTS_PER_MINUTE),
            ),
            webhooks_to_loopback=_yes(
                WEBHOOKS_TO_LOOPBACK, environment.get(WEBHOOKS_TO_LOOPBACK) or "no"
            ),
            roads_url=environment.get(ROADS_URL) or None,
            planning_threads=_whole_number(
                PLANNING_THREADS, environment.get(PLANNING_THREADS) or str(spare_cores())
            ),
        )

    @classmethod
    def in_folder(
        cls, folder: Path, *, database_url: str | None = None, public_url: str | None = None
    ) -> "Settings":
        """Return settings that keep everything in ``folder``, unless a database is named."""
        folder = folder.expanduser().resolve()
        url = database_url or f"sqlite:///{folder / 'steamround.sqlite'}"
        if url.startswith(("postgresql://", "postgres://")):
            url = f"postgresql+psycopg://{url.partition('://')[2]}"
        return cls(data_folder=folder, database_url=url, public_url=public_url)


def _check_address(name: str, address: str, example: str) -> None:
    try:
        parts = urlsplit(address)
    except ValueError:
        parts = urlsplit("")
    if parts.scheme not in ("http", "https") or not parts.hostname or parts.query:
        raise InvalidInput(f"{name} must be an address such as {example}, got {address!r}")
    if not (address.isascii() and address.isprintable()) or " " in address:
        raise InvalidInput(f"{name} must be percent-encoded ASCII, got {address!r}")
    if address.endswith("/"):
        raise InvalidInput(f"{name} must not end with a slash, got {address!r}")


def _whole_number(name: str, text: str) -> int:
    if not (text.isascii() and text.isdigit()):
        raise InvalidInput(f"{name} must be a whole number, got {text!r}")
    return int(text)


def _yes(name: str, text: str) -> bool:
    if text not in ("yes", "no"):
        raise InvalidInput(f"{name} must be yes or no, got {text!r}")
    return text == "yes"


def prepare_data_folder(settings: Settings) -> None:
    """Make the data folder and let compiled code be kept in it.

    Every process calls this before it imports the planner: the compiler's cache folder is read at
    import, and a read-only installation has no other place for it.
    """
    settings.data_folder.mkdir(parents=True, exist_ok=True)
    os.environ.setdefault("NUMBA_CACHE_DIR", str(settings.data_folder / COMPILED_FOLDER))
