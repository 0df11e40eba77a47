"""Feed links: the secret calendar addresses, one per person and device."""

from datetime import datetime

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, Field
from sqlmodel import col

from api.actions.feed_links import create_feed_link, revoke_feed_link, rotate_feed_link
from api.http.context import OfficeDeed, StaffLook
from api.http.lists import ListOf, PageWanted
from api.http.problems import documented
from api.http.wire import Given, from_row
from api.storage.column_types import Id, Name
from api.storage.tables import FeedLinkRow

router = APIRouter(prefix="/v1/feed-links", tags=["feed links"])


class NewFeedLink(Given):
    """Whose calendar, and on which device it is read."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"technician_id": "te-1", "device": "telephone"}]}
    )

    technician_id: Id
    device: Name


class FeedLink(BaseModel):
    """A calendar address, without the address."""

    id: str
    technician_id: str
    device: str
    created_at: datetime
    revoked_at: datetime | None
    last_fetched_at: datetime | None


class FeedLinkWithAddress(FeedLink):
    """A calendar address; it is shown this once and kept nowhere."""

    address: str = Field(examples=["https://plan.example.org/feeds/srf_…/odile-varnac.ics"])


@router.get("", responses=documented())
def list_feed_links(look: StaffLook, paging: PageWanted) -> ListOf[FeedLink]:
    """List calendar addresses in order of id; a technician sees their own."""
    return look.page(
        FeedLinkRow, [col(FeedLinkRow.id)], paging, lambda row: from_row(FeedLink, row)
    )


@router.post("", status_code=201, responses=documented(400, 404, 413))
def add_feed_link(body: NewFeedLink, deed: OfficeDeed) -> FeedLinkWithAddress:
    """Make a calendar address for one device of a technician."""
    row, path = create_feed_link(
        deed.database,
        body.technician_id,
        body.device,
        deed.catalogue,
        now=deed.now,
        origin=deed.origin,
    )
    return _with_address(deed, row, path)


@router.post("/{link_id}/rotate", status_code=201, responses=documented(404, 409))
def rotate_link(link_id: str, deed: OfficeDeed) -> FeedLinkWithAddress:
    """Withdraw an address and make another for the same device; other devices notice nothing."""
    row, path = rotate_feed_link(deed.database, link_id, now=deed.now, origin=deed.origin)
    return _with_address(deed, row, path)


@router.post("/{link_id}/revoke", responses=documented(404, 409))
def revoke_link(link_id: str, deed: OfficeDeed) -> FeedLink:
    """Withdraw an address: it answers 410 from now on."""
    row = revoke_feed_link(deed.database, link_id, now=deed.now, origin=deed.origin)
    return from_row(FeedLink, row)


def _with_address(deed: OfficeDeed, row: FeedLinkRow, path: str) -> FeedLinkWithAddress:
    public_url: str = deed.request.app.state.public_url
    return from_row(FeedLinkWithAddress, row, address=f"{public_url}{path}")
