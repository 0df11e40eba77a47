"""What the answer of a receiver means, and when to try again."""

import random
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from api.storage.deliveries import Settlement

WAITS: Final = (
    timedelta(seconds=5),
    timedelta(minutes=5),
    timedelta(minutes=30),
    timedelta(hours=2),
    timedelta(hours=5),
    timedelta(hours=10),
    timedelta(hours=14),
    timedelta(hours=20),
    timedelta(hours=24),
)
"""After each of the first nine failures; after the tenth, three days on, nobody tries again.

The schedule that the Standard Webhooks specification gives as its example: 75 h 35 min in all.
"""

MOST_ATTEMPTS: Final = len(WAITS) + 1
LONGEST_JITTER: Final = 0.1  # of the wait: receivers that failed together are not asked together
LONGEST_RETRY_AFTER: Final = timedelta(hours=24)

_GONE = 410
_BUSY = frozenset({429, 503})


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a receiver made of a message.

    ``status`` is None when no answer came; ``problem`` says why not. ``retry_after`` is how long
    the receiver asks us to wait.
    """

    status: int | None
    problem: str = ""
    retry_after: timedelta | None = None


def settlement_of(answer: Answer, *, delivery: str, attempt: int, now: datetime) -> Settlement:
    """Return what becomes of a delivery after an attempt, the first being 1.

    Only a 2xx is a success; a redirect is a failure, since nobody has checked where it leads.
    """
    status = answer.status
    if status is not None and 200 <= status < 300:
        return Settlement(state="delivered", status=status)
    problem = answer.problem or f"the receiver answered {status}"
    if status == _GONE:
        return Settlement(state="given_up", status=status, problem=problem, endpoint_gone=True)
    if attempt >= MOST_ATTEMPTS:
        return Settlement(state="given_up", status=status, problem=problem)
    wait = wait_after(attempt, delivery)
    if status in _BUSY and answer.retry_after is not None:
        wait = max(wait, min(answer.retry_after, LONGEST_RETRY_AFTER))
    return Settlement(state="pending", status=status, problem=problem, next_attempt_at=now + wait)


def wait_after(attempt: int, delivery: str) -> timedelta:
    """Return how long to wait after a failed attempt, the first being 1.

    The jitter is drawn from the delivery's id: the same delivery always gets the same schedule.
    """
    drawn = random.Random(f"{delivery}/{attempt}").random()
    return WAITS[attempt - 1] * (1 + LONGEST_JITTER * drawn)
