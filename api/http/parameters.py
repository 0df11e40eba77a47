"""A query parameter that no route has asked for is a slip of the pen, and said to be one."""

from collections.abc import Iterable, Iterator

from fastapi import Request
from fastapi.dependencies.models import Dependant
from fastapi.exceptions import RequestValidationError
from fastapi.routing import APIRoute
from starlette.routing import BaseRoute


def known_parameters(routes: Iterable[BaseRoute]) -> dict[str, frozenset[str]]:
    """Return the names of the query parameters of each route, by the route's name."""
    return {
        route.name: frozenset(_asked_for(route.dependant))
        for route in routes
        if isinstance(route, APIRoute)
    }


def _asked_for(dependant: Dependant) -> Iterator[str]:
    yield from (field.alias for field in dependant.query_params)
    for each in dependant.dependencies:
        yield from _asked_for(each)


def refuse_unknown_parameters(request: Request) -> None:
    """Refuse a request whose address asks for what its route does not know.

    Raises
    ------
    RequestValidationError
        Names each such parameter, and those there are.
    """
    known = request.app.state.known_parameters[request.scope["route"].name]
    unknown = [name for name in request.query_params if name not in known]
    if unknown:
        there_are = ", ".join(sorted(known)) or "none"
        raise RequestValidationError(
            [
                {
                    "type": "unknown_parameter",
                    "loc": ("query", name),
                    "msg": f"there is no such parameter here; there are: {there_are}",
                }
                for name in unknown
            ]
        )
