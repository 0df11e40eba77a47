"""Clients: who owns the cafés."""

from fastapi import APIRouter
from pydantic import ConfigDict
from pydantic.config import JsonDict
from sqlmodel import col

from api.actions.company_fields import ClientFields
from api.http.conditions import IfMatch
from api.http.context import AnyonesLook, Deed, OfficeDeed
from api.http.idempotency import IdempotencyKey, once
from api.http.lists import ListOf, PageWanted
from api.http.problems import documented
from api.http.wire import Kept, WithId, from_row
from api.storage.ids import new_id
from api.storage.tables import ClientRow

router = APIRouter(prefix="/v1/clients", tags=["clients"])

_EXAMPLE: JsonDict = {
    "name": "Quayside Cafés",
    "contact_name": "Ida Holm",
    "contact_phone": "+33 5 36 49 00 90",
    "contact_email": "ida.holm@quayside.example",
}


class ClientIn(ClientFields):
    model_config = ConfigDict(json_schema_extra={"examples": [_EXAMPLE]})


class NewClient(WithId, ClientFields):
    model_config = ConfigDict(json_schema_extra={"examples": [_EXAMPLE]})


class Client(Kept, ClientFields):
    pass


@router.get("", responses=documented())
def list_clients(look: AnyonesLook, paging: PageWanted) -> ListOf[Client]:
    """List clients in order of id; a portal sees its own."""
    return look.page(ClientRow, [col(ClientRow.id)], paging, _shown)


@router.get("/{client_id}", responses=documented(404))
def get_client(client_id: str, look: AnyonesLook) -> Client:
    """Return one client."""
    return _shown(look.one(ClientRow, client_id))


@router.post("", status_code=201, responses=documented(400, 409, 413))
def add_client(body: NewClient, deed: OfficeDeed, key: IdempotencyKey = None) -> Client:
    """Add a client."""

    def add(deed: Deed) -> Client:
        row = deed.add(ClientRow, body.id or new_id("cl"), body)
        return _shown(deed.added(row, f"/v1/clients/{row.id}"))

    return once(deed, key, body, Client, add, status=201)


@router.put("/{client_id}", responses=documented(400, 404, 412, 413, 428))
def replace_client(client_id: str, body: ClientIn, deed: OfficeDeed, version: IfMatch) -> Client:
    """Replace what is known of a client."""
    return _shown(deed.replace(ClientRow, client_id, body, version))


def _shown(row: ClientRow) -> Client:
    return from_row(Client, row)
