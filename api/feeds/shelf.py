"""Calendars kept at hand in memory, never handed over without knowing that they still stand."""

import threading
from collections import OrderedDict
from collections.abc import Hashable
from dataclasses import dataclass
from datetime import datetime
from typing import Generic, TypeVar

from api.feeds.delivery import StoredFeed
from api.feeds.links import file_stem
from api.storage.database import Database, Mark
from api.storage.feed_fetches import NOTED_EVERY, feed_by_secret_hash
from api.storage.tables import FeedDocumentRow

_MOST_AT_HAND = 500

Answer = TypeVar("Answer")


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelvedFeed:
    """A link and the calendar it leads to.

    Attributes
    ----------
    calendar
        None where the link was withdrawn.
    noted_at
        When a fetch was last written down.
    mark
        The database's when this was looked up; None where it has none.
    """

    link_id: str
    file_name: str
    calendar: StoredFeed | None
    noted_at: datetime | None
    mark: Mark | None

    def is_to_be_noted(self, now: datetime) -> bool:
        """Whether the next fetch has to be written down."""
        return self.noted_at is None or now - self.noted_at >= NOTED_EVERY


class FeedShelf(Generic[Answer]):
    """The calendars lately asked for, and whole answers by what was asked.

    An answer is handed over again only as long as nobody, in whatever process, has written
    anything to the database since its calendar was looked up.
    """

    def __init__(self, database: Database) -> None:
        self.database = database
        self._lock = threading.Lock()
        self._mark: Mark | None = None
        self._answers: dict[Hashable, tuple[Answer, ShelvedFeed]] = {}  # made since the mark
        self._calendars: OrderedDict[tuple[str, str], StoredFeed] = OrderedDict()

    def has(self, asked: Hashable) -> bool:
        """Whether there is an answer that may still be good."""
        return asked in self._answers

    def answer(self, asked: Hashable, mark: Mark | None, now: datetime) -> Answer | None:
        """Return the answer given before, if it still stands at ``mark``, read just now."""
        with self._lock:
            found = self._answers.get(asked) if mark is not None and mark == self._mark else None
        return None if found is None or found[1].is_to_be_noted(now) else found[0]

    def keep(self, asked: Hashable, answer: Answer, feed: ShelvedFeed) -> None:
        """Keep an answer made of a calendar that was looked up."""
        if feed.mark is None:
            return
        with self._lock:
            if feed.mark != self._mark or len(self._answers) >= _MOST_AT_HAND:
                self._mark, self._answers = feed.mark, {}
            self._answers[asked] = answer, feed

    def look_up(self, digest: str) -> ShelvedFeed | None:
        """Return what the hash of a secret leads to; None when it was never given out."""
        mark = self.database.change_mark()  # before the query: what is written meanwhile shows
        calendar = None
        with self.database.read() as session:
            found = feed_by_secret_hash(session, digest)
            if found is None:
                return None
            key = found.kind, found.subject
            if not found.revoked:
                calendar = self._calendars.get(key)
                if calendar is None or calendar.etag != found.etag:
                    calendar = stored_feed(session.get_one(FeedDocumentRow, key))
        if calendar is not None:
            with self._lock:
                self._calendars[key] = calendar
                self._calendars.move_to_end(key)
                if len(self._calendars) > _MOST_AT_HAND:
                    self._calendars.popitem(last=False)
        return ShelvedFeed(
            link_id=found.link_id,
            file_name=f"{file_stem(found.name)}.ics",
            calendar=calendar,
            noted_at=found.last_fetched_at,
            mark=mark,
        )


def stored_feed(row: FeedDocumentRow) -> StoredFeed:
    """Return a kept calendar as the delivery needs it."""
    return StoredFeed(
        body=row.body, gzip_body=row.body_gzip, etag=row.etag, modified=row.changed_at
    )
