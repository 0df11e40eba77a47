"""The description of the interface, for people."""

from fastapi import APIRouter, Request, Response

from api.pages.reference_page import draw_reference, reference_policy

router = APIRouter(include_in_schema=False)


@router.get("/v1/docs")
def read_reference(request: Request) -> Response:
    """Return the page that describes every call; drawn when first asked for."""
    state = request.app.state
    if getattr(state, "reference", None) is None:
        state.reference = draw_reference(request.app.openapi())
    return Response(
        state.reference,
        media_type="text/html; charset=utf-8",
        headers={"Content-Security-Policy": reference_policy(), "Referrer-Policy": "no-referrer"},
    )
