"""Worksheets by their secret address: no key, as with the calendars that name them.

Nothing of the address is kept or told anywhere; the page asks for nothing and may not be stored,
shown in another page or found by a search.
"""

from fastapi import APIRouter, Response

from api.actions.worksheet_addresses import GoneWorksheet, open_worksheet
from api.http.context import Catalogue, Database, Now
from api.pages.worksheet_page import draw_absent, draw_gone, draw_worksheet, page_policy
from scheduler.errors import Absent

router = APIRouter(tags=["worksheets"])

_PAGE: dict[str, object] = {"text/html": {}}


@router.head("/w/{secret}/{appointment}", response_class=Response, include_in_schema=False)
@router.get(
    "/w/{secret}/{appointment}",
    response_class=Response,
    responses={
        200: {"description": "The worksheet as a page", "content": _PAGE},
        404: {"description": "There is no such worksheet", "content": _PAGE},
        410: {"description": "It is no longer for whoever asks", "content": _PAGE},
    },
)
def read_worksheet(
    secret: str, appointment: str, database: Database, catalogue: Catalogue, now: Now
) -> Response:
    """Return the page of a worksheet, whose address stands in a technician's calendar."""
    with database.read() as session:
        try:
            found = open_worksheet(session, secret, appointment, catalogue, now=now)
        except Absent:
            return _page(404, draw_absent())
    if isinstance(found, GoneWorksheet):
        return _page(410, draw_gone(found))
    return _page(200, draw_worksheet(found, catalogue))


def _page(status: int, html: str) -> Response:
    return Response(
        html,
        status_code=status,
        media_type="text/html; charset=utf-8",
        headers={
            "Cache-Control": "private, no-store",
            "Content-Security-Policy": page_policy(),
            "Referrer-Policy": "no-referrer",
            "X-Robots-Tag": "noindex, nofollow",
            "X-Content-Type-Options": "nosniff",
            "X-Frame-Options": "DENY",
        },
    )
