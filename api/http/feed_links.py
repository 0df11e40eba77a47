"""Feed links: the secret calendar addresses, one per person and device."""

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field, model_validator
from sqlmodel import col

from api.actions.calendars import THE_COMPANY, Feed
from api.actions.feed_links import create_feed_link, revoke_feed_link, rotate_feed_link
from api.http.context import Now, OfficeDeed, StaffLook
from api.http.lists import ListOf, PageWanted
from api.http.problems import documented
from api.http.wire import Given, from_row
from api.storage.column_types import Id, Name
from api.storage.feed_fetches import is_stale, stale_links
from api.storage.tables import FeedKind, FeedLinkRow
from api.storage.tables.access import OF_TECHNICIAN

router = APIRouter(prefix="/v1/feed-links", tags=["feed links"])


class NewFeedLink(Given):
    """Which calendar, and on whose device it is read.

    `technician`: the technician's own, with all they need on the round. `busy`: when they are at
    work, but not where; for whoever lives with them. `site`: for the café, who comes when and which
    machine is off. `company`: for the dispatcher, who is where.
    """

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {"technician_id": "te-1", "device": "telephone"},
                {"kind": "site", "site_id": "si-9", "device": "behind the bar"},
            ]
        }
    )

    kind: FeedKind = FeedKind.TECHNICIAN
    technician_id: Id | None = None
    site_id: Id | None = None
    device: Name

    @model_validator(mode="after")
    def names_whose_it_is(self) -> "NewFeedLink":
        of_technician = self.kind in OF_TECHNICIAN
        if (self.technician_id is not None) != of_technician:
            raise ValueError(
                f"technician_id {'is missing' if of_technician else 'does not belong'} "
                f"with kind {self.kind}"
            )
        of_site = self.kind is FeedKind.SITE
        if (self.site_id is not None) != of_site:
            raise ValueError(
                f"site_id {'is missing' if of_site else 'does not belong'} with kind {self.kind}"
            )
        return self

    @property
    def feed(self) -> Feed:
        """Return the calendar."""
        return Feed(self.kind, self.technician_id or self.site_id or THE_COMPANY)


class FeedLink(BaseModel):
    """A calendar address, without the address."""

    id: str
    kind: FeedKind
    technician_id: str | None
    site_id: str | None
    device: str
    created_at: datetime
    revoked_at: datetime | None
    last_fetched_at: datetime | None = Field(description="Noted every quarter of an hour.")
    last_fetched_by: str = Field(description="What the calendar program calls itself.")
    stale: bool = Field(
        description="Not fetched for a day: whoever reads it must be told of a change by telephone."
    )


class FeedLinkWithAddress(FeedLink):
    """A calendar address; it is shown this once and kept nowhere."""

    address: str = Field(examples=["https://plan.example.org/feeds/srf_…/odile-varnac.ics"])


@router.get("", responses=documented())
def list_feed_links(
    look: StaffLook,
    paging: PageWanted,
    now: Now,
    stale: Annotated[bool, Query(description="Only those not fetched for a day.")] = False,
) -> ListOf[FeedLink]:
    """List calendar addresses in order of id; a technician sees their own."""
    return look.page(
        FeedLinkRow,
        [col(FeedLinkRow.id)],
        paging,
        lambda row: _shown(row, now),
        stale_links(now) if stale else None,
    )


@router.post("", status_code=201, responses=documented(400, 404, 409, 413))
def add_feed_link(body: NewFeedLink, deed: OfficeDeed) -> FeedLinkWithAddress:
    """Make a calendar address for one device."""
    row, path = create_feed_link(
        deed.database, body.feed, body.device, deed.catalogue, now=deed.now, origin=deed.origin
    )
    return _with_address(deed, row, path)


@router.post("/{link_id}/rotate", status_code=201, responses=documented(404, 409))
def rotate_link(link_id: str, deed: OfficeDeed) -> FeedLinkWithAddress:
    """Withdraw an address and make another for the same device; other devices notice nothing."""
    row, path = rotate_feed_link(
        deed.database, link_id, deed.catalogue, now=deed.now, origin=deed.origin
    )
    return _with_address(deed, row, path)


@router.post("/{link_id}/revoke", responses=documented(404, 409))
def revoke_link(link_id: str, deed: OfficeDeed) -> FeedLink:
    """Withdraw an address: it answers 410 from now on."""
    row = revoke_feed_link(deed.database, link_id, deed.catalogue, now=deed.now, origin=deed.origin)
    return _shown(row, deed.now)


def _shown(row: FeedLinkRow, now: datetime) -> FeedLink:
    kind = FeedKind(row.kind)
    return from_row(
        FeedLink,
        row,
        technician_id=row.subject if kind in OF_TECHNICIAN else None,
        site_id=row.subject if kind is FeedKind.SITE else None,
        stale=is_stale(row, now),
    )


def _with_address(deed: OfficeDeed, row: FeedLinkRow, path: str) -> FeedLinkWithAddress:
    public_url: str = deed.request.app.state.public_url
    return FeedLinkWithAddress(**_shown(row, deed.now).model_dump(), address=f"{public_url}{path}")
