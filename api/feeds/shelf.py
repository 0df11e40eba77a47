"""Calendars kept at hand in memory, never handed over without knowing that they still stand."""

import threading
from collections import OrderedDict
from dataclasses import dataclass
from datetime import datetime

from api.feeds.delivery import StoredFeed
from api.feeds.links import file_stem
from api.storage.database import Database
from api.storage.feed_fetches import NOTED_EVERY, feed_by_secret_hash
from api.storage.tables import FeedDocumentRow

_MOST_AT_HAND = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelvedFeed:
    """A link and the calendar it leads to.

    Attributes
    ----------
    calendar
        None where the link was withdrawn.
    noted_at
        When a fetch was last written down.
    """

    link_id: str
    file_name: str
    calendar: StoredFeed | None
    noted_at: datetime | None

    def is_to_be_noted(self, now: datetime) -> bool:
        """Whether the next fetch has to be written down."""
        return self.noted_at is None or now - self.noted_at >= NOTED_EVERY


class FeedShelf:
    """The calendars lately asked for, by the hash of their secret.

    ``at_hand`` costs no query: it only asks the database's file whether anybody, in whatever
    process, has written to it since. Where a database has no such mark nothing is ever at hand,
    and ``look_up`` asks each time.
    """

    def __init__(self, database: Database) -> None:
        self.database = database
        self._lock = threading.Lock()
        self._mark: int | None = None
        self._at_hand: dict[str, ShelvedFeed] = {}  # looked up since the mark
        self._calendars: OrderedDict[tuple[str, str], StoredFeed] = OrderedDict()

    def at_hand(self, digest: str) -> ShelvedFeed | None:
        """Return a calendar looked up before, if nothing at all has been written since."""
        mark = self.database.change_mark()
        with self._lock:
            return self._at_hand.get(digest) if mark is not None and mark == self._mark else None

    def look_up(self, digest: str) -> ShelvedFeed | None:
        """Return what a secret leads to; None when it was never given out."""
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
        feed = ShelvedFeed(
            link_id=found.link_id,
            file_name=f"{file_stem(found.name)}.ics",
            calendar=calendar,
            noted_at=found.last_fetched_at,
        )
        with self._lock:
            if calendar is not None:
                self._calendars[key] = calendar
                self._calendars.move_to_end(key)
                if len(self._calendars) > _MOST_AT_HAND:
                    self._calendars.popitem(last=False)
            if mark != self._mark or len(self._at_hand) >= _MOST_AT_HAND:
                self._mark, self._at_hand = mark, {}
            self._at_hand[digest] = feed
        return feed


def stored_feed(row: FeedDocumentRow) -> StoredFeed:
    """Return a kept calendar as the delivery needs it."""
    return StoredFeed(
        body=row.body, gzip_body=row.body_gzip, etag=row.etag, modified=row.changed_at
    )
