"""Every error as RFC 9457 problem details, from one table."""

import logging
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from starlette.routing import Match

from api.auth import NotAllowed, NotAuthenticated
from api.http.conditions import NotModified, PreconditionRequired
from api.http.idempotency import KeyMissing
from api.http.request_limit import TooManyRequests
from scheduler.errors import (
    Absent,
    Busy,
    Conflict,
    DoubleBooking,
    HeldForClient,
    HoldOver,
    Impossible,
    InvalidInput,
    MachineUnclear,
    MoveNotAllowed,
    NoticeTooShort,
    PlanOutdated,
    PriceChanged,
    PriceNotAccepted,
    SiteTaken,
    StaleVersion,
    SteamroundError,
    TimeTaken,
    TooEarly,
    TooManyHolds,
)

log = logging.getLogger("steamround.http")

MEDIA_TYPE = "application/problem+json"
_TYPE_ROOT = "https://steamround.invalid/problems/"

# The first entry whose class fits decides: subclasses stand before their bases.
_STATUS_AND_NAME: tuple[tuple[type[Exception], int, str], ...] = (
    (NotAuthenticated, 401, "not-authenticated"),
    (NotAllowed, 403, "not-allowed"),
    (Absent, 404, "not-found"),
    (StaleVersion, 412, "stale-version"),
    (PreconditionRequired, 428, "precondition-required"),
    (DoubleBooking, 409, "double-booking"),
    (SiteTaken, 409, "site-taken"),
    (TimeTaken, 409, "time-taken"),
    (HoldOver, 409, "hold-over"),
    (TooManyHolds, 409, "too-many-holds"),
    (NoticeTooShort, 409, "notice-too-short"),
    (HeldForClient, 409, "held-for-client"),
    (PlanOutdated, 409, "plan-outdated"),
    (PriceNotAccepted, 409, "price-not-accepted"),
    (PriceChanged, 409, "price-changed"),
    (TooEarly, 409, "too-early"),
    (MachineUnclear, 409, "machine-unclear"),
    (Conflict, 409, "conflict"),
    (MoveNotAllowed, 409, "move-not-allowed"),
    (Impossible, 409, "impossible"),
    (KeyMissing, 400, "idempotency-key-missing"),
    (InvalidInput, 422, "invalid-input"),
    (TooManyRequests, 429, "too-many-requests"),
    (Busy, 503, "busy"),
)
_NAME_OF_STATUS = {
    400: "malformed-request",
    404: "not-found",
    405: "method-not-allowed",
    413: "body-too-large",
    422: "invalid-input",
    500: "internal-error",
    503: "busy",
}


class FieldProblem(BaseModel):
    """One thing wrong with a request."""

    pointer: str = Field(description="JSON pointer into the body, or the name of a parameter.")
    detail: str = Field(description="What is wrong, and what would be right.")


class Problem(BaseModel):
    """Problem details (RFC 9457)."""

    type: str = Field(description="Names the kind of problem; stable.")
    title: str = Field(description="The kind of problem in words.")
    status: int
    detail: str = Field(description="What happened this time, and what would help.")
    request_id: str = Field(description="Names this request in our logs.")
    errors: list[FieldProblem] = Field(
        default_factory=list, description="Every wrong field, where fields are wrong."
    )


_AN_INSTANT = "write an instant with its offset, as in 2027-03-31T09:30:00+02:00"
_A_DATE = "write a date as in 2027-03-31"
_AN_OBJECT = 'write a JSON object, {"name": value}, and say Content-Type: application/json'
_WHAT_WOULD_BE_RIGHT = {
    "missing": "this is needed",
    "extra_forbidden": "there is no such field here; /v1/docs lists those there are",
    "list_type": "write a list: [value, value]",
    "dict_type": _AN_OBJECT,
    "model_type": _AN_OBJECT,
    "model_attributes_type": _AN_OBJECT,
    "string_type": "write text, between quotation marks",
    "timezone_aware": _AN_INSTANT,
    "datetime_type": _AN_INSTANT,
    "datetime_parsing": _AN_INSTANT,
    "datetime_from_date_parsing": _AN_INSTANT,
    "date_type": _A_DATE,
    "date_parsing": _A_DATE,
    "date_from_datetime_parsing": _A_DATE,
    "date_from_datetime_inexact": _A_DATE,
}
"""What to say of mistakes, by their kind, where the validation says only that they are some."""

_EXAMPLE_DETAIL = {
    400: "the body is not JSON: Expecting value at 14",
    401: "send a valid API key: Authorization: Bearer srk_…",
    403: "a portal key may not do this: use one of administrator, dispatcher",
    404: "there is no site 'si-900'",
    405: "this address answers GET, PUT",
    409: "an appointment that is done cannot become cancelled; it can become nothing else",
    412: "the record is at version 4, not 3",
    413: "a body may have 1048576 bytes at most",
    422: "1 field is wrong",
    428: "send If-Match with the ETag of the version you are changing",
    429: "more than 600 requests in a minute: try again in 18 seconds",
    500: "something went wrong on our side; nothing was stored",
    503: str(Busy()),
}


def documented(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """Return what OpenAPI says of the errors of a route; the ones every route has are included."""
    return {
        status: {
            "description": HTTPStatus(status).phrase,
            "content": {
                MEDIA_TYPE: {
                    "schema": {"$ref": "#/components/schemas/Problem"},
                    "example": _document(status, _name(status), _EXAMPLE_DETAIL[status], "rq_7k0x"),
                }
            },
        }
        for status in sorted({401, 403, 405, 422, 429, 500, 503, *statuses})
    }


def _name(status: int) -> str:
    for _, known, name in _STATUS_AND_NAME:
        if known == status and status not in _NAME_OF_STATUS and status != 409:
            return name
    return _NAME_OF_STATUS.get(status, "conflict" if status == 409 else "error")


def _document(
    status: int, name: str, detail: str, request_id: str, errors: list[FieldProblem] | None = None
) -> dict[str, Any]:
    problem = Problem(
        type=_TYPE_ROOT + name,
        title=name.replace("-", " ").capitalize(),
        status=status,
        detail=detail,
        request_id=request_id,
        errors=errors or [],
    )
    return problem.model_dump(mode="json")


def problem_response(
    request: Request,
    status: int,
    name: str,
    detail: str,
    *,
    errors: list[FieldProblem] | None = None,
    headers: Mapping[str, str] | None = None,
) -> JSONResponse:
    """Return a problem as a response to ``request``."""
    request_id = getattr(request.state, "request_id", "")
    return JSONResponse(
        _document(status, name, detail, request_id, errors),
        status_code=status,
        headers=headers,
        media_type=MEDIA_TYPE,
    )


def install(app: FastAPI) -> None:
    """Make ``app`` answer every error with a problem."""
    app.add_exception_handler(SteamroundError, _ours)
    app.add_exception_handler(NotModified, _not_modified)
    app.add_exception_handler(RequestValidationError, _invalid_request)
    app.add_exception_handler(HTTPException, _of_the_framework)
    app.add_exception_handler(Exception, _unexpected)


def _ours(request: Request, error: Exception) -> Response:
    for kind, status, name in _STATUS_AND_NAME:
        if isinstance(error, kind):
            return problem_response(request, status, name, str(error), headers=_headers(error))
    return _unexpected(request, error)


def _headers(error: Exception) -> dict[str, str]:
    """Return what a reply says beside the problem."""
    match error:
        case NotAuthenticated():
            return {"WWW-Authenticate": "Bearer"}
        case TooManyRequests():
            return {**error.allowance.headers(), "Retry-After": str(error.allowance.seconds)}
        case Busy():
            log.warning("database busy or away: %r", error.__cause__)
            return {"Retry-After": "1"}
        case _:
            return {}


def _not_modified(request: Request, error: Exception) -> Response:
    assert isinstance(error, NotModified)
    return Response(status_code=304, headers={"ETag": error.etag})


def _invalid_request(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    details = error.errors()
    broken = next((each for each in details if each["type"] == "json_invalid"), None)
    if broken is not None:
        reason = f"{broken['ctx']['error']} at {broken['loc'][-1]}"
        return problem_response(
            request, 400, _NAME_OF_STATUS[400], f"the body is not JSON: {reason}"
        )
    errors = [
        FieldProblem(
            pointer=_pointer(each["loc"]),
            detail=_WHAT_WOULD_BE_RIGHT.get(each["type"])
            or each["msg"].removeprefix("Value error, "),
        )
        for each in details
    ]
    counted = "1 field is wrong" if len(errors) == 1 else f"{len(errors)} fields are wrong"
    return problem_response(request, 422, _NAME_OF_STATUS[422], counted, errors=errors)


def _pointer(location: tuple[int | str, ...]) -> str:
    """Return ``/a/b`` for a place in the body, the bare name for a parameter."""
    where, *path = location
    if where != "body":
        return str(path[0]) if path else str(where)
    return "".join(f"/{str(part).replace('~', '~0').replace('/', '~1')}" for part in path)


def _of_the_framework(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    status, headers, detail = error.status_code, dict(error.headers or {}), str(error.detail)
    if status == 404:
        detail = f"there is nothing at {request.url.path}"
        if request.url.path.startswith(("/feeds/", "/w/")):
            detail = "there is nothing at this address"  # it may be a secret
    elif status == 405:
        allowed = _allowed_methods(request)
        headers["Allow"] = ", ".join(allowed)
        detail = f"this address answers {', '.join(allowed)}"
    name = _NAME_OF_STATUS.get(status, HTTPStatus(status).phrase.lower().replace(" ", "-"))
    return problem_response(request, status, name, detail, headers=headers)


def _allowed_methods(request: Request) -> list[str]:
    """Return the methods of every route at the address; the framework names the first route's.

    Where an address is written out in a route, routes with an id in that place are not meant.
    """
    found = [
        route
        for route in request.app.state.routes
        if route.matches(request.scope)[0] is not Match.NONE
    ]
    fewest = min(len(route.param_convertors) for route in found)
    return sorted(
        {
            method
            for route in found
            if len(route.param_convertors) == fewest
            for method in route.methods
        }
    )


def _unexpected(request: Request, error: Exception) -> Response:
    log.error("unexpected error", exc_info=error)
    return problem_response(request, 500, _NAME_OF_STATUS[500], _EXAMPLE_DETAIL[500])
