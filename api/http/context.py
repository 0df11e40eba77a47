"""What a route is given: the database, the catalogue, the time, and who is asking."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Annotated, Any, TypeVar

from fastapi import Depends, Request, Response, Security
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer
from sqlmodel import Session, SQLModel

from api.actions.company_fields import Fields
from api.actions.edit_records import add_record, replace_record
from api.auth import NotAllowed, NotAuthenticated, Principal, Role, principal_of
from api.http.conditions import show
from api.http.look import Look
from api.http.parameters import refuse_unknown_parameters
from api.storage.audit import Origin
from api.storage.catalogue_edits import KnownCatalogue as KnownTrade
from api.storage.database import Database as StorageDatabase
from api.storage.tables.versioned import Versioned
from scheduler.catalogue import Catalogue as TradeCatalogue

AddedRow = TypeVar("AddedRow", bound=SQLModel)
ChangedRow = TypeVar("ChangedRow", bound=Versioned)

_bearer = HTTPBearer(
    auto_error=False,
    scheme_name="ApiKey",
    description="An API key: `Authorization: Bearer srk_…`. Each key has one role.",
)


def _database(request: Request) -> StorageDatabase:
    database: StorageDatabase = request.app.state.database
    return database


def _known_catalogue(request: Request) -> KnownTrade:
    known: KnownTrade = request.app.state.catalogue
    return known


def present(request: Request) -> datetime:
    """Return the present instant of the application's clock. Tests put another in its place."""
    now: datetime = request.app.state.tell_time()
    return now


Now = Annotated[datetime, Depends(present)]
Database = Annotated[StorageDatabase, Depends(_database)]
KnownCatalogue = Annotated[KnownTrade, Depends(_known_catalogue)]


def _catalogue(known: KnownCatalogue, database: Database) -> TradeCatalogue:
    return known.of(database)


Catalogue = Annotated[TradeCatalogue, Depends(_catalogue)]
"""The catalogue in force, with every edit stored by now."""


def _reader(database: Database) -> Iterator[Session]:
    with database.read() as session:
        yield session


Reader = Annotated[Session, Depends(_reader)]
"""A session that sees one state of the database and cannot change it."""


def _principal(
    request: Request,
    database: Database,
    now: Now,
    credentials: Annotated[HTTPAuthorizationCredentials | None, Security(_bearer)],
) -> Principal:
    if credentials is None:
        raise NotAuthenticated
    with database.read() as session:
        principal = principal_of(session, credentials.credentials, now=now)
    if request.app.state.request_limit is not None:
        request.state.allowance = request.app.state.request_limit.count(principal.key, now)
    refuse_unknown_parameters(request)
    return principal


class Allow:
    """Lets in the holders of some roles; every route but feeds, health and documents has one."""

    def __init__(self, *roles: Role) -> None:
        self.roles = frozenset(roles)

    def __call__(self, principal: Annotated[Principal, Depends(_principal)]) -> Principal:
        if principal.role not in self.roles:
            raise NotAllowed(principal.role, self.roles)
        return principal


@dataclass(frozen=True, slots=True, kw_only=True)
class Deed:
    """A change somebody is about to make, and everything an action wants to know about it."""

    request: Request
    response: Response
    database: Database
    catalogue: Catalogue
    now: datetime
    who: Principal

    @property
    def origin(self) -> Origin:
        """Return how it stands in the audit trail."""
        return self.who.origin(self.request.state.request_id)

    def joining(self, database: StorageDatabase) -> "Deed":
        """Return the same deed on a database that joins an open transaction."""
        return replace(self, database=database)

    def add(self, table: type[AddedRow], row_id: str, body: Fields) -> AddedRow:
        """Store a new record (``api.actions.edit_records.add_record``)."""
        return add_record(
            self.database, table, row_id, body, self.catalogue, now=self.now, origin=self.origin
        )

    def replace(
        self, table: type[ChangedRow], row_id: str, body: Fields, version: int
    ) -> ChangedRow:
        """Store new values of a record (``api.actions.edit_records.replace_record``)."""
        row = replace_record(
            self.database,
            table,
            row_id,
            body,
            self.catalogue,
            if_version=version,
            now=self.now,
            origin=self.origin,
        )
        return self.changed(row)

    def changed(self, row: ChangedRow) -> ChangedRow:
        """Send the ETag of a changed row and return it."""
        show(self.request, self.response, row)
        return row

    def added(self, row: ChangedRow, path: str) -> ChangedRow:
        """Send the ETag and the address of a new row and return it."""
        self.response.headers["Location"] = path
        return self.changed(row)


def _look(*roles: Role) -> Any:
    def look(
        request: Request,
        response: Response,
        session: Reader,
        who: Annotated[Principal, Depends(Allow(*roles))],
    ) -> Look:
        return Look(request, response, session, who)

    return Depends(look)


def _deed(*roles: Role) -> Any:
    def deed(
        request: Request,
        response: Response,
        database: Database,
        catalogue: Catalogue,
        now: Now,
        who: Annotated[Principal, Depends(Allow(*roles))],
    ) -> Deed:
        return Deed(
            request=request,
            response=response,
            database=database,
            catalogue=catalogue,
            now=now,
            who=who,
        )

    return Depends(deed)


_STAFF = (Role.DISPATCHER, Role.TECHNICIAN, Role.ADMINISTRATOR)
_OFFICE = (Role.DISPATCHER, Role.ADMINISTRATOR)

AnyonesLook = Annotated[Look, _look(*Role)]
StaffLook = Annotated[Look, _look(*_STAFF)]
OfficeLook = Annotated[Look, _look(*_OFFICE)]
OfficeOrPortalLook = Annotated[Look, _look(*_OFFICE, Role.PORTAL)]
AdministratorsLook = Annotated[Look, _look(Role.ADMINISTRATOR)]

StaffDeed = Annotated[Deed, _deed(*_STAFF)]
OfficeDeed = Annotated[Deed, _deed(*_OFFICE)]
OfficeOrPortalDeed = Annotated[Deed, _deed(*_OFFICE, Role.PORTAL)]
PortalDeed = Annotated[Deed, _deed(Role.PORTAL)]
AdministratorsDeed = Annotated[Deed, _deed(Role.ADMINISTRATOR)]


def routes_without_roles(routes: list[Any]) -> list[str]:
    """Return the paths of routes that ask for no role; a test knows which these may be."""

    def asks(dependant: Any) -> bool:
        return isinstance(dependant.call, Allow) or any(map(asks, dependant.dependencies))

    return sorted(
        route.path
        for route in routes
        if not hasattr(route, "dependant") or not asks(route.dependant)
    )
