"""What an operator sets: where the data lies and under which address the service is reached."""

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from scheduler.errors import InvalidInput

PREFIX = "STEAMROUND_"
DATA_FOLDER = "STEAMROUND_DATA_FOLDER"
DATABASE_URL = "STEAMROUND_DATABASE_URL"
PUBLIC_URL = "STEAMROUND_PUBLIC_URL"

COMPILED_FOLDER = "compiled"
"""The folder of the data folder that keeps compiled code; safe to delete at any time."""

_KNOWN = (DATA_FOLDER, DATABASE_URL, PUBLIC_URL)
_DEFAULT_FOLDER = "steamround-data"
_DEFAULT_PUBLIC_URL = "http://127.0.0.1:8000"
_DRIVERS = ("sqlite", "postgresql+psycopg")


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
        calendars begin with it.
    """

    data_folder: Path
    database_url: str
    public_url: str = _DEFAULT_PUBLIC_URL

    def __post_init__(self) -> None:
        if not self.data_folder.is_absolute():
            raise InvalidInput(f"the data folder must be absolute, got {self.data_folder}")
        scheme = self.database_url.partition("://")[0]
        if scheme not in _DRIVERS:
            raise InvalidInput(
                f"{DATABASE_URL} must begin with sqlite:/// or postgresql://, got {scheme!r}"
            )
        parts = urlsplit(self.public_url)
        if parts.scheme not in ("http", "https") or not parts.hostname or parts.query:
            raise InvalidInput(
                f"{PUBLIC_URL} must be an address such as https://plan.example.org, "
                f"got {self.public_url!r}"
            )
        if self.public_url.endswith("/"):
            raise InvalidInput(f"{PUBLIC_URL} must not end with a slash, got {self.public_url!r}")

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
        return cls.in_folder(
            Path(environment.get(DATA_FOLDER) or _DEFAULT_FOLDER),
            database_url=environment.get(DATABASE_URL),
            public_url=environment.get(PUBLIC_URL) or _DEFAULT_PUBLIC_URL,
        )

    @classmethod
    def in_folder(
        cls, folder: Path, *, database_url: str | None = None, public_url: str = _DEFAULT_PUBLIC_URL
    ) -> "Settings":
        """Return settings that keep everything in ``folder``, unless a database is named."""
        folder = folder.expanduser().resolve()
        url = database_url or f"sqlite:///{folder / 'steamround.sqlite'}"
        if url.startswith(("postgresql://", "postgres://")):
            url = f"postgresql+psycopg://{url.partition('://')[2]}"
        return cls(data_folder=folder, database_url=url, public_url=public_url)


def prepare_data_folder(settings: Settings) -> None:
    """Make the data folder and let compiled code be kept in it.

    Every process calls this before it imports the planner: the compiler's cache folder is read at
    import, and a read-only installation has no other place for it.
    """
    settings.data_folder.mkdir(parents=True, exist_ok=True)
    os.environ.setdefault("NUMBA_CACHE_DIR", str(settings.data_folder / COMPILED_FOLDER))
