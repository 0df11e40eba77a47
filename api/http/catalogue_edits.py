"""The company's own changes of the catalogue: previewed, stored with a reason, taken back."""

from datetime import datetime

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, Field
from pydantic.config import JsonDict
from sqlmodel import Session, col, select

from api.actions.edit_catalogue import preview_edit, store_edit, take_edit_back
from api.http.conditions import IfMatch, etag_of, show_tag
from api.http.context import Deed, KnownCatalogue, Now, OfficeDeed, OfficeLook, StaffLook
from api.http.idempotency import IdempotencyKey, once
from api.http.interval_decisions import Changes, shown_changes
from api.http.lists import ListOf, PageWanted
from api.http.problems import documented
from api.http.wire import Given, from_row
from api.storage.catalogue_edits import standing_edits
from api.storage.column_types import Said
from api.storage.snapshots import company_zone
from api.storage.tables import CatalogueEditRow
from scheduler.errors import Absent
from scheduler.working_time import local_date

router = APIRouter(prefix="/v1/catalogue", tags=["catalogue"])

_EXAMPLE: JsonDict = {"text": "[rules.group_gasket_replace]\nminutes = 9\n"}
_ADDRESS = "/v1/catalogue/edits"


class CatalogueChange(Given):
    """Keys of entries, written as in the files of the catalogue.

    Of an entry there is, only the keys given change, each whole; a new entry is said whole.
    """

    model_config = ConfigDict(json_schema_extra={"examples": [_EXAMPLE]})

    text: str = Field(min_length=1, max_length=100_000, description="TOML.")


class NewEdit(CatalogueChange):
    """A change of the catalogue to be stored."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{**_EXAMPLE, "reason": "Timed at forty visits."}]}
    )

    reason: Said


class TakenBack(Given):
    """Why an edit is taken back."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"reason": "It was meant for another rule."}]}
    )

    reason: Said


class NotInForce(BaseModel):
    """An edit that does not fit the files of the program, and is passed over."""

    edit_id: str
    flaws: list[str] = Field(description="What no longer fits, with table and key.")


class CatalogueState(BaseModel):
    """How the catalogue stands."""

    version: int = Field(description="The ETag of the catalogue is this with a v before it.")
    edits_in_force: int
    not_in_force: list[NotInForce] = Field(
        description="Take these back, or store them anew so that they fit."
    )


class CataloguePreview(Changes):
    """What a change would do to the work to come; nothing is stored."""

    catalogue_version: int = Field(description="What the preview was made from.")


class CatalogueEdit(BaseModel):
    """A stored change, or the taking back of one."""

    id: str
    number: int = Field(description="The order in which they are laid over the files.")
    text: str = Field(description="TOML; empty where it takes another back.")
    takes_back: str | None = Field(description="The edit it takes back.")
    reason: str
    made_by: str
    made_at: datetime
    in_force: bool


@router.get("", responses=documented())
def get_catalogue_state(look: StaffLook, known: KnownCatalogue) -> CatalogueState:
    """Say how the catalogue stands; its ETag is what a change of it names."""
    in_force = known.at(look.session)
    show_tag(look.request, look.response, etag_of(in_force.version))
    passed_over = in_force.edited.passed_over
    return CatalogueState(
        version=in_force.version,
        edits_in_force=len(standing_edits(look.session)) - len(passed_over),
        not_in_force=[
            NotInForce(edit_id=edit, flaws=[str(flaw) for flaw in flaws])
            for edit, flaws in passed_over.items()
        ],
    )


@router.post("/preview", responses=documented(400, 413))
def preview_catalogue_change(
    body: CatalogueChange, look: OfficeLook, known: KnownCatalogue, now: Now
) -> CataloguePreview:
    """Check a change of the catalogue and say which due dates it would move. Nothing is stored."""
    today = local_date(now, company_zone(look.session))
    changes = shown_changes(preview_edit(look.session, known, body.text, today=today))
    return CataloguePreview(
        **changes.model_dump(), catalogue_version=known.at(look.session).version
    )


@router.get("/edits", responses=documented())
def list_catalogue_edits(
    look: StaffLook, known: KnownCatalogue, paging: PageWanted
) -> ListOf[CatalogueEdit]:
    """List every change that was stored and every taking back, in their order."""
    in_force = _in_force(look.session, known)
    return look.page(
        CatalogueEditRow, [col(CatalogueEditRow.number)], paging, lambda row: _shown(row, in_force)
    )


@router.get("/edits/{edit_id}", responses=documented(404))
def get_catalogue_edit(edit_id: str, look: StaffLook, known: KnownCatalogue) -> CatalogueEdit:
    """Return one change, or the taking back of one."""
    row = look.session.exec(select(CatalogueEditRow).where(CatalogueEditRow.id == edit_id)).first()
    if row is None:
        raise Absent("catalogue edit", edit_id)
    return _shown(row, _in_force(look.session, known))


@router.post("/edits", status_code=201, responses=documented(400, 412, 413, 428))
def add_catalogue_edit(
    body: NewEdit,
    deed: OfficeDeed,
    known: KnownCatalogue,
    version: IfMatch,
    key: IdempotencyKey = None,
) -> CatalogueEdit:
    """Store a change of the catalogue. `If-Match` names the version of the catalogue.

    It counts at once, everywhere; due work that is stored follows within half a minute. What the
    law, a maker or safety asks for cannot be relaxed.
    """

    def store(deed: Deed) -> CatalogueEdit:
        row = store_edit(
            deed.database,
            known,
            body.text,
            body.reason,
            if_version=version,
            now=deed.now,
            origin=deed.origin,
        )
        return _stored(deed, row)

    return once(deed, key, body, CatalogueEdit, store, status=201)


@router.put("/edits/{edit_id}/taken-back", responses=documented(400, 404, 409, 412, 413, 428))
def take_catalogue_edit_back(
    edit_id: str, body: TakenBack, deed: OfficeDeed, known: KnownCatalogue, version: IfMatch
) -> CatalogueEdit:
    """Take a change back. `If-Match` names the version of the catalogue.

    The reply is the record of the taking back.
    """
    row = take_edit_back(
        deed.database,
        known,
        edit_id,
        body.reason,
        if_version=version,
        now=deed.now,
        origin=deed.origin,
    )
    return _stored(deed, row)


def _stored(deed: Deed, row: CatalogueEditRow) -> CatalogueEdit:
    deed.response.headers["Location"] = f"{_ADDRESS}/{row.id}"
    deed.response.headers["ETag"] = etag_of(row.number + 1)
    return _shown(row, frozenset({row.id} if row.text else ()))


def _in_force(session: Session, known: KnownCatalogue) -> frozenset[str]:
    passed_over = known.at(session).edited.passed_over
    return frozenset(each.id for each in standing_edits(session)) - passed_over.keys()


def _shown(row: CatalogueEditRow, in_force: frozenset[str]) -> CatalogueEdit:
    return from_row(CatalogueEdit, row, in_force=row.id in in_force)
