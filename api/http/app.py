"""The application: every route, every error, its description."""

from collections.abc import Callable
from contextlib import AbstractAsyncContextManager
from importlib.metadata import version
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from fastapi.routing import APIRoute

from api.http import (
    absence_calendars,
    absences,
    appointments,
    availability,
    booking_rules,
    callbacks,
    calls_to_make,
    catalogue,
    catalogue_edits,
    clients,
    contracts,
    due_tasks,
    examinations,
    feed_links,
    feeds,
    fitted_parts,
    health,
    history,
    holds,
    interval_decisions,
    keys,
    machine_wear,
    machines,
    offers,
    outlooks,
    plans,
    pressure_patterns,
    problems,
    readings,
    reference,
    sites,
    standstills,
    stock,
    technicians,
    telephone,
    travel,
    use,
    visits,
    wear,
    webhooks,
    worksheets,
)
from api.http.edge import Edge
from api.http.events import describe_events
from api.http.parameters import known_parameters
from api.http.request_limit import RequestLimit
from api.present import TellTime, present
from api.storage.catalogue_edits import KnownCatalogue
from api.storage.database import Database
from scheduler.catalogue import Catalogue

Lifespan = Callable[[FastAPI], AbstractAsyncContextManager[None]]

_SUBJECTS = (
    clients,
    contracts,
    sites,
    machines,
    fitted_parts,
    history,
    use,
    readings,
    pressure_patterns,
    standstills,
    examinations,
    wear,
    machine_wear,
    availability,
    outlooks,
    interval_decisions,
    technicians,
    stock,
    absences,
    absence_calendars,
    due_tasks,
    callbacks,
    telephone,
    visits,
    offers,
    holds,
    booking_rules,
    plans,
    travel,
    appointments,
    feed_links,
    calls_to_make,
    catalogue,
    catalogue_edits,
    webhooks,
    keys,
    feeds,
    worksheets,
    health,
    reference,
)

_TAGS = (
    ("clients", "Who owns the cafés."),
    ("contracts", "What a client was promised."),
    ("sites", "The cafés and the hours in which one may work there."),
    ("machines", "What stands at a site, what is fitted in it, what its counters show."),
    ("standstills", "Machines stopped and made safe, and their way back into service."),
    ("statutory examinations", "What the law asks for, and the certificates on record."),
    ("wear", "How long parts last, when to renew them, and whether a machine gets worse."),
    ("outlook", "The work, parts and money of the months to come."),
    ("interval decisions", "The company's own intervals."),
    ("technicians", "Who can be sent, and when they are away."),
    ("stock", "Parts at hand, load lists, and what will be short."),
    ("due tasks", "Which work falls due when, and why."),
    ("callbacks", "Faults reported, judged and promised an answer."),
    ("visits", "What is done at a site in one go, step by step."),
    ("offers", "Times that can be kept for a visit."),
    ("holds", "A time kept for a client for some minutes, and its booking."),
    ("booking rules", "What is offered, how long it is held, what work out of cover costs."),
    ("plans", "Plans: asked for, solved, looked at, published."),
    ("travel", "What the times between places rest on."),
    ("appointments", "The published calendar."),
    ("feed links", "Secret calendar addresses, and who has to be telephoned all the same."),
    ("feeds", "The calendars behind them."),
    ("worksheets", "The pages that technicians' calendars lead to."),
    ("catalogue", "What is known of the trade."),
    ("webhooks", "Where programs of clients hear of events, and what they are told."),
    ("API keys", "Who may come in."),
    ("health", "Whether the service is up."),
)

_DESCRIPTION = """
Plans the upkeep of commercial espresso machines: due work, visits, rounds and calendars.

* **Keys.** `Authorization: Bearer srk_…`. A key has one role: dispatcher, technician, portal (bound
  to one client) or administrator. What is not yours answers 404, like what does not exist.
* **Changes.** Every record that can change has an ETag. A change names it in `If-Match`: 428
  without, 412 when somebody else was faster.
* **Lists** come in pages of up to 100: follow `next`, or the `Link` header.
* **Limits.** `RateLimit` says how many requests your key has left; 429 says in `Retry-After` when
  to come back.
* **Events** are sent to your own endpoints, see webhooks: signed, at least once, in order for each
  visit, again over three days until you answer 2xx. Know a repetition by `webhook-id`.
* **Errors** are problem details (RFC 9457). `request_id` names the request in our logs.
* **Travel.** Minutes of travel may come from a road network: `/v1/travel` and each plan say so, and
  whose map it is. Show that wherever you show such minutes.
* **Time.** Instants are UTC. Hours of a week are local to the `zone` beside them, written
  `Mo-Fr 07:30-12:00,13:00-18:00; Sa 08:00-11:00`.
* Fields and enumeration values may be added; ignore what you do not know.
"""


def create_app(
    database: Database,
    shipped_catalogue: Catalogue,
    *,
    public_url: str,
    requests_per_minute: int | None = None,
    webhooks_to_loopback: bool = False,
    tell_time: TellTime = present,
    lifespan: Lifespan | None = None,
) -> FastAPI:
    """Return the application on a database.

    Parameters
    ----------
    shipped_catalogue : as the files of the program say it, without the edits stored.
    public_url : how the world reaches it, without a slash at the end.
    requests_per_minute : how many one key may make to this process; None for any number.
    webhooks_to_loopback : whether an endpoint may be plain http on this very machine.
    tell_time : the clock of its routes.
    lifespan : what runs beside it, such as the clock.
    """
    app = feeds.WithFeedDoor(
        title="Steamround",
        version=version("steamround"),
        description=_DESCRIPTION,
        openapi_url="/v1/openapi.json",
        docs_url=None,  # the framework's page fetches its scripts from elsewhere
        redoc_url=None,
        openapi_tags=[{"name": name, "description": text} for name, text in _TAGS],
        servers=[{"url": public_url}],
        license_info={"name": "MIT", "identifier": "MIT"},
        generate_unique_id_function=_operation_id,
        redirect_slashes=False,
        lifespan=lifespan,
    )
    app.state.database = database
    app.state.catalogue = KnownCatalogue(shipped_catalogue)
    app.state.public_url = public_url
    app.state.tell_time = tell_time
    app.state.request_limit = (
        None if requests_per_minute is None else RequestLimit(requests_per_minute)
    )
    app.state.webhooks_to_loopback = webhooks_to_loopback
    problems.install(app)
    app.add_middleware(Edge)
    for subject in _SUBJECTS:
        app.include_router(subject.router)
    app.state.routes = [route for subject in _SUBJECTS for route in subject.router.routes]
    app.state.known_parameters = known_parameters(app.state.routes)
    describe_events(app.webhooks)
    app.openapi = lambda: _described(app)  # type: ignore[method-assign]
    return app


def _operation_id(route: APIRoute) -> str:
    return route.name


def _described(app: FastAPI) -> dict[str, Any]:
    """Return the OpenAPI document; the problem every error refers to is part of it."""
    if app.openapi_schema is None:
        document = get_openapi(
            title=app.title,
            version=app.version,
            description=app.description,
            routes=app.routes,
            webhooks=app.webhooks.routes,
            tags=app.openapi_tags,
            servers=app.servers,
            license_info=app.license_info,
        )
        schemas = document["components"]["schemas"]
        for methods in (*document["paths"].values(), *document["webhooks"].values()):
            for operation in methods.values():
                for parameter in operation.get("parameters", ()):
                    _say_required(parameter)
                if "422" in operation["responses"] and "422" not in _problems_of(operation):
                    del operation["responses"]["422"]  # the framework's own, which nobody sends
        del schemas["HTTPValidationError"], schemas["ValidationError"]
        problem = problems.Problem.model_json_schema(ref_template="#/components/schemas/{model}")
        schemas.update(problem.pop("$defs"))
        schemas["Problem"] = problem
        app.openapi_schema = document
    return app.openapi_schema


def _say_required(parameter: dict[str, Any]) -> None:
    """Headers whose absence is judged by the route (428, 400) are required all the same."""
    schema = parameter["schema"]
    if schema.pop("x-required", False):
        parameter["required"] = True
        told = [each for each in schema.pop("anyOf", ()) if each != {"type": "null"}]
        for each in told:
            schema.update(each)


def _problems_of(operation: dict[str, Any]) -> set[str]:
    return {
        status
        for status, reply in operation["responses"].items()
        if problems.MEDIA_TYPE in reply.get("content", {})
    }
