"""Callbacks: a fault is reported, judged at once and promised an answer."""

from dataclasses import fields
from datetime import datetime
from typing import Annotated, Literal, Self

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field, model_validator
from sqlmodel import Session, col

from api.actions.accept_price import accept_price
from api.actions.take_callback import FaultReport, take_callback
from api.actions.withdraw_work import cancel_callback
from api.http.conditions import IfMatch
from api.http.context import AnyonesLook, Deed, OfficeOrPortalDeed
from api.http.idempotency import IdempotencyKey, RequiredKey, once
from api.http.lists import ListOf, PageWanted
from api.http.problems import documented
from api.http.wire import Given, Kept, equals, from_row
from api.storage.booking_rules import acceptance_of
from api.storage.column_types import Id, MachineName, Photo, Said
from api.storage.documents import finding_from_json
from api.storage.standing import late_appointment
from api.storage.tables import CallbackRow
from scheduler.call_price import CallPrice
from scheduler.company import Urgency

router = APIRouter(prefix="/v1/callbacks", tags=["callbacks"])

State = Literal["open", "done", "cancelled"]


class NewCallback(Given):
    """What the caller says."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "machine": "E001",
                    "symptoms": ["steam_drips"],
                    "text": "The left steam pipe drips since this morning, coffee is fine.",
                }
            ]
        }
    )

    machine: MachineName | None = Field(
        default=None,
        description="The machine's id, the tag on it, or its serial number. Needed unless `site` "
        "is given.",
    )
    site: Id | None = Field(
        default=None,
        description="The site, when nobody can say which machine it is. Where several stand the "
        "answer is a conflict that lists them with their tags.",
    )
    symptoms: list[Id] = Field(
        default_factory=list, max_length=20, description="Symptoms of the catalogue."
    )
    text: str = Field(default="", max_length=2000, description="The fault in the caller's words.")
    answers: dict[str, bool] = Field(
        default_factory=dict,
        max_length=20,
        description="Symptom → whether it is there, for questions asked back.",
    )
    photos: list[Photo] = Field(
        default_factory=list,
        max_length=10,
        description="Where pictures are to be found, https only, or what your program knows them "
        "by. Shown to the technician; never fetched by us.",
    )

    @model_validator(mode="after")
    def _is_about_something(self) -> Self:
        if self.machine is None and self.site is None:
            raise ValueError("say which machine it is, or at least at which site")
        return self


class Price(BaseModel):
    """What a visit costs that no contract covers: an estimate, in minor units of the currency."""

    currency: str
    call_out_minor: int
    minutes: int = Field(description="On site, charged by the hour.")
    labour_minor: int
    parts_minor: int = Field(description="Parts taken along; what is not used is not charged.")
    amount_minor: int = Field(description="All of it. Accept this amount.")
    because: str = Field(description="What it is an estimate of: show it with the amount.")
    accepted_at: datetime | None = Field(description="When this price was accepted, if it was.")
    accepted_by: str | None


class PriceToAccept(Given):
    """The price as it was read, and who accepts it."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [{"amount_minor": 21500, "currency": "EUR", "accepted_by": "Ada Quist"}]
        }
    )

    amount_minor: Annotated[int, Field(ge=0, le=1_000_000_000)]
    currency: Annotated[str, Field(pattern=r"^[A-Z]{3}$")]
    accepted_by: Said = Field(description="Name of the person who may decide that.")


class PriceAcceptance(BaseModel):
    """A price that was accepted; never changed or deleted."""

    id: str
    callback_id: str
    amount_minor: int
    currency: str
    accepted_at: datetime
    accepted_by: str


class LikelyFault(BaseModel):
    """A fault and how likely it is."""

    fault: str
    name: str
    probability: float
    phone_fix: str | None = Field(description="What the caller may try, where that is safe.")


class Callback(Kept):
    """A fault report and what is made of it."""

    client_id: str
    site_id: str
    machine_id: str
    reported_at: datetime
    symptoms: list[str] = Field(description="As reported, and as read from the text.")
    text: str
    photos: list[str]
    urgency: Urgency
    respond_by: datetime | None = Field(
        description="Until when somebody is there, counted in the contract's hours."
    )
    covered: bool = Field(
        description="A contract is in force. Where none is, no answer is promised and the visit "
        "has to be paid: see `price`."
    )
    price: Price | None = Field(
        description="Of work that no contract covers. Nothing is booked or planned before it is "
        "accepted; another report may change it, and then it has to be accepted anew."
    )
    make_safe: list[str] = Field(
        description="What to do until then so that nobody is hurt. Local codes come first."
    )
    likely_faults: list[LikelyFault]
    next_question: str | None = Field(description="The symptom worth asking about next.")
    because: str
    visit_id: str | None
    late_appointment_id: str | None = Field(
        description="Its appointment, where that begins after `respond_by`: move it forward."
    )
    state: State


@router.get("", responses=documented())
def list_callbacks(
    look: AnyonesLook,
    paging: PageWanted,
    site: Annotated[str | None, Query(description="Only at this site.")] = None,
    machine: Annotated[str | None, Query(description="Only on this machine.")] = None,
    state: Annotated[State | None, Query(description="Only in this state.")] = None,
    covered: Annotated[
        bool | None, Query(description="Only those that a contract covers, or does not.")
    ] = None,
) -> ListOf[Callback]:
    """List callbacks, the oldest first."""
    return look.page(
        CallbackRow,
        [col(CallbackRow.reported_at), col(CallbackRow.id)],
        paging,
        lambda row: _shown(row, look.session),
        equals(col(CallbackRow.site_id), site),
        equals(col(CallbackRow.machine_id), machine),
        equals(col(CallbackRow.state), state),
        equals(col(CallbackRow.covered), covered),
    )


@router.get("/{callback_id}", responses=documented(404))
def get_callback(callback_id: str, look: AnyonesLook) -> Callback:
    """Return one callback."""
    return _shown(look.one(CallbackRow, callback_id), look.session)


@router.post("", status_code=201, responses=documented(400, 404, 409, 413))
def report_fault(
    body: NewCallback, deed: OfficeOrPortalDeed, key: IdempotencyKey = None
) -> Callback:
    """Report a fault. A second report on a machine joins the callback that is still open."""
    report = FaultReport(
        machine=body.machine,
        site=body.site,
        symptoms=tuple(body.symptoms),
        text=body.text,
        answers=body.answers,
        photos=tuple(body.photos),
    )

    def take(deed: Deed) -> Callback:
        row = take_callback(
            deed.database,
            report,
            deed.catalogue,
            now=deed.now,
            origin=deed.origin,
            client=deed.who.client,
        )
        deed.added(row, f"/v1/callbacks/{row.id}")
        with deed.database.read() as session:
            return _shown(row, session)

    return once(deed, key, body, Callback, take, status=201)


@router.post("/{callback_id}/cancel", responses=documented(404, 409, 412, 428))
def withdraw_callback(callback_id: str, deed: OfficeOrPortalDeed, version: IfMatch) -> Callback:
    """Withdraw a callback: its visit is dropped, its appointment cancelled."""
    row = cancel_callback(
        deed.database,
        callback_id,
        deed.catalogue,
        now=deed.now,
        origin=deed.origin,
        scope=deed.who.scope,
        if_version=version,
    )
    deed.changed(row)
    with deed.database.read() as session:
        return _shown(row, session)


@router.post(
    "/{callback_id}/price-acceptances", status_code=201, responses=documented(400, 404, 409, 413)
)
def accept_callback_price(
    callback_id: str, body: PriceToAccept, deed: OfficeOrPortalDeed, key: RequiredKey
) -> PriceAcceptance:
    """Accept the price of work that no contract covers; its visit may be booked then."""

    def accept(deed: Deed) -> PriceAcceptance:
        row = accept_price(
            deed.database,
            callback_id,
            amount_minor=body.amount_minor,
            currency=body.currency,
            accepted_by=body.accepted_by,
            now=deed.now,
            origin=deed.origin,
            scope=deed.who.scope,
        )
        return from_row(PriceAcceptance, row)

    return once(deed, key, body, PriceAcceptance, accept, status=201)


def _price(row: CallbackRow, session: Session) -> Price | None:
    if row.price is None:
        return None
    accepted = acceptance_of(session, row.id, row.price)
    parts = {each.name: row.price[each.name] for each in fields(CallPrice)}
    return Price(
        **row.price,
        because=CallPrice(**parts).because,
        accepted_at=None if accepted is None else accepted.accepted_at,
        accepted_by=None if accepted is None else accepted.accepted_by,
    )


def _shown(row: CallbackRow, session: Session) -> Callback:
    finding = finding_from_json(row.finding)
    late = late_appointment(session, row)
    return from_row(
        Callback,
        row,
        price=_price(row, session),
        make_safe=list(finding.make_safe),
        likely_faults=[from_row(LikelyFault, fault) for fault in finding.likely_faults],
        next_question=finding.next_question,
        because=finding.because,
        late_appointment_id=None if late is None else late.id,
    )
