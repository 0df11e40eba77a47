"""Contracts: what a contract was promised, and in whose hours it counts."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import ConfigDict
from pydantic.config import JsonDict
from sqlmodel import col

from api.actions.company_fields import ContractFields
from api.http.conditions import IfMatch
from api.http.context import AnyonesLook, Deed, OfficeDeed
from api.http.idempotency import IdempotencyKey, once
from api.http.lists import ListOf, PageWanted
from api.http.problems import documented
from api.http.wire import Kept, WithId, equals, from_row
from api.storage.ids import new_id
from api.storage.tables import ContractRow

router = APIRouter(prefix="/v1/contracts", tags=["contracts"])

_EXAMPLE: JsonDict = {
    "client_id": "cl-01",
    "kind": "full care",
    "starts_on": "2027-01-01",
    "response_minutes": {"danger": 120, "stopped": 240, "impaired": 960, "minor": 2400},
    "service_hours": "Mo-Fr 07:30-18:00; Sa 08:00-13:00",
    "zone": "Europe/Paris",
    "holiday_country": "FR",
}


class ContractIn(ContractFields):
    model_config = ConfigDict(json_schema_extra={"examples": [_EXAMPLE]})


class NewContract(WithId, ContractFields):
    model_config = ConfigDict(json_schema_extra={"examples": [_EXAMPLE]})


class Contract(Kept, ContractFields):
    pass


@router.get("", responses=documented())
def list_contracts(
    look: AnyonesLook,
    paging: PageWanted,
    client: Annotated[str | None, Query(description="Only this client's.")] = None,
) -> ListOf[Contract]:
    """List contracts in order of id; a portal sees its own."""
    own = equals(col(ContractRow.client_id), client)
    return look.page(ContractRow, [col(ContractRow.id)], paging, _shown, own)


@router.get("/{contract_id}", responses=documented(404))
def get_contract(contract_id: str, look: AnyonesLook) -> Contract:
    """Return one contract."""
    return _shown(look.one(ContractRow, contract_id))


@router.post("", status_code=201, responses=documented(400, 409, 413))
def add_contract(body: NewContract, deed: OfficeDeed, key: IdempotencyKey = None) -> Contract:
    """Add a contract."""

    def add(deed: Deed) -> Contract:
        row = deed.add(ContractRow, body.id or new_id("ct"), body)
        return _shown(deed.added(row, f"/v1/contracts/{row.id}"))

    return once(deed, key, body, Contract, add, status=201)


@router.put("/{contract_id}", responses=documented(400, 404, 412, 413, 428))
def replace_contract(
    contract_id: str, body: ContractIn, deed: OfficeDeed, version: IfMatch
) -> Contract:
    """Replace what is known of a contract."""
    return _shown(deed.replace(ContractRow, contract_id, body, version))


def _shown(row: ContractRow) -> Contract:
    return from_row(Contract, row)
