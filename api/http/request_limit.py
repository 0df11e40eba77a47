"""How many requests a key may make, told in RateLimit headers (an IETF draft) and Retry-After.

Each process counts for itself: behind a balancer a key may make as many times more as there are
processes. A count in the database would cost every reader a write.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from threading import Lock
from typing import Final

from scheduler.errors import SteamroundError

WINDOW: Final = timedelta(minutes=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowance:
    """What a key has left until its window ends."""

    limit: int
    remaining: int
    seconds: int

    def headers(self) -> dict[str, str]:
        """Return what every reply says of it."""
        window = int(WINDOW.total_seconds())
        return {
            "RateLimit-Policy": f'"requests";q={self.limit};w={window}',
            "RateLimit": f'"requests";r={self.remaining};t={self.seconds}',
        }


class TooManyRequests(SteamroundError):
    """A key that has used up its allowance."""

    def __init__(self, allowance: Allowance) -> None:
        self.allowance = allowance
        super().__init__(
            f"more than {allowance.limit} requests in a minute: "
            f"try again in {allowance.seconds} seconds"
        )


class RequestLimit:
    """So many requests per key in the minute that begins with the first of them."""

    def __init__(self, per_minute: int) -> None:
        self._limit = per_minute
        self._lock = Lock()
        self._windows: dict[str, tuple[datetime, int]] = {}  # as many as there are keys

    def count(self, key: str, now: datetime) -> Allowance:
        """Count a request and return what is left.

        Raises
        ------
        TooManyRequests
        """
        with self._lock:
            began, used = self._windows.get(key, (now, 0))
            if not began <= now < began + WINDOW:
                began, used = now, 0
            used = min(used + 1, self._limit + 1)
            self._windows[key] = began, used
        seconds = int((began + WINDOW - now).total_seconds())
        left = self._limit - used
        allowance = Allowance(limit=self._limit, remaining=max(left, 0), seconds=seconds)
        if left < 0:
            raise TooManyRequests(allowance)
        return allowance
