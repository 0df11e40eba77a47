"""Statutory examinations: what certificates say, and which machines the law asks for next.

A service visit is no statutory examination: only a competent person's certificate makes one good.
"""

from datetime import date, datetime, timedelta
from typing import Annotated, Literal

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field
from pydantic.config import JsonDict
from sqlmodel import col

from api.actions.company_fields import ExaminationFields
from api.actions.examinations import record_examination, withdraw_examination
from api.http.context import Catalogue, Deed, Now, StaffDeed, StaffLook
from api.http.idempotency import IdempotencyKey, once
from api.http.lists import ListOf, PageWanted
from api.http.problems import documented
from api.http.wire import Given, equals, from_row
from api.storage.column_types import Said
from api.storage.examinations import STANDING
from api.storage.interval_decisions import interval_decisions
from api.storage.snapshots import company_zone, contracts_by_id, machines_by_id, sites_by_id
from api.storage.tables import ExaminationRow
from scheduler.catalogue import Authority
from scheduler.statutory import Standing, statutory_items
from scheduler.working_time import local_date

router = APIRouter(prefix="/v1", tags=["statutory examinations"])

_EXAMPLE: JsonDict = {
    "machine_id": "ma-001",
    "rule": "pressure_vessel_examination",
    "certificate": "DV-2027-0311",
    "competent_person": "Odile Marchandeau",
    "body": "Bureau Vaporis",
    "examined_on": "2027-03-11",
    "result": "passed",
    "valid_until": "2028-03-10",
    "findings": "Safety valve lifted at 1.85 bar.",
}


class NewExamination(ExaminationFields):
    """What a certificate says."""

    model_config = ConfigDict(json_schema_extra={"examples": [_EXAMPLE]})


class Correction(NewExamination):
    """What the certificate really says; takes the place of the whole record."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{**_EXAMPLE, "reason": "The number was mistyped."}]}
    )

    reason: Said


class Withdrawal(Given):
    """Why there was no such examination."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"reason": "Recorded on the wrong machine."}]}
    )

    reason: Said


class Examination(BaseModel):
    """A record. Records never change: a correction takes the place of the one it names."""

    id: str
    machine_id: str
    rule: str
    fitted_part_id: str | None
    certificate: str
    competent_person: str
    body: str
    examined_on: date
    result: Literal["passed", "passed_with_conditions", "failed"]
    valid_until: date | None
    findings: str
    recorded_by: str
    recorded_at: datetime
    corrects: str | None
    withdrawn: bool = Field(description="It says that the record it names was a mistake.")
    reason: str


class ItemOfLaw(BaseModel):
    """An examination a machine has to have."""

    machine_id: str
    machine_name: str
    site_id: str
    site_name: str
    rule: str
    name: str = Field(description="Of the rule.")
    fitted_part_id: str | None
    due_on: date = Field(
        description="The last day for the next one, hard: the strictest of the certificate, the "
        "rule and the company's own decision."
    )
    standing: Standing
    certificate: str | None = Field(
        description="Null when none is on record: then the rule's interval counts."
    )
    ours: bool = Field(description="Whether the contract has us see to it.")
    because: str


class ItemsOfLaw(BaseModel):
    """The examinations that have run out or are due soon, the first day first."""

    items: list[ItemOfLaw]


@router.get("/statutory-items", responses=documented())
def list_statutory_items(
    look: StaffLook,
    catalogue: Catalogue,
    now: Now,
    days: Annotated[int, Query(ge=0, le=1000, description="Due within so many days.")] = 60,
    site: Annotated[str | None, Query(description="Only at this site.")] = None,
    certified: Annotated[
        bool | None, Query(description="Only those with a certificate on record, or without.")
    ] = None,
) -> ItemsOfLaw:
    """List what has run out and what is due soon."""
    today = local_date(now, company_zone(look.session))
    sites = sites_by_id(look.session, None if site is None else [site], from_day=today)
    contracts = contracts_by_id(look.session, from_day=today)
    ours = {
        each.id: contracts[each.contract].statutory_included
        and contracts[each.contract].covers(today)
        for each in sites.values()
    }
    laws = [rule for rule in catalogue.rules.values() if rule.authority is Authority.STATUTE]
    fleet = machines_by_id(
        look.session, on=today, sites=None if site is None else [site], rules=laws
    )
    decisions = interval_decisions(look.session)
    found = [
        item
        for machine in fleet.values()
        for item in statutory_items(
            machine, catalogue, today=today, soon=timedelta(days=days), decisions=decisions
        )
        if item.standing is not Standing.IN_FORCE
        and (certified is None or certified == (item.certificate is not None))
    ]
    found.sort(key=lambda item: (item.due_on, item.machine, item.rule))
    return ItemsOfLaw(
        items=[
            ItemOfLaw(
                machine_id=item.machine,
                machine_name=fleet[item.machine].name,
                site_id=item.site,
                site_name=sites[item.site].name,
                rule=item.rule,
                name=catalogue.rules[item.rule].name,
                fitted_part_id=item.fitted_part,
                due_on=item.due_on,
                standing=item.standing,
                certificate=item.certificate.number if item.certificate else None,
                ours=ours[item.site],
                because=item.because,
            )
            for item in found
        ]
    )


@router.get("/examinations", responses=documented())
def list_examinations(
    look: StaffLook,
    paging: PageWanted,
    machine: Annotated[str | None, Query(description="Only of this machine.")] = None,
    rule: Annotated[str | None, Query(description="Only of this rule.")] = None,
    superseded: Annotated[bool, Query(description="Also records that were corrected.")] = False,
) -> ListOf[Examination]:
    """List the examinations on record, the oldest first."""
    return look.page(
        ExaminationRow,
        [col(ExaminationRow.examined_on), col(ExaminationRow.id)],
        paging,
        _shown,
        equals(col(ExaminationRow.machine_id), machine),
        equals(col(ExaminationRow.rule), rule),
        None if superseded else STANDING,
    )


@router.get("/examinations/{examination_id}", responses=documented(404))
def get_examination(examination_id: str, look: StaffLook) -> Examination:
    """Return one record."""
    return _shown(look.row(ExaminationRow, examination_id))


@router.post("/examinations", status_code=201, responses=documented(400, 409, 413))
def add_examination(
    body: NewExamination, deed: StaffDeed, key: IdempotencyKey = None
) -> Examination:
    """Record a statutory examination from its certificate; the next is due by its last day."""
    return once(deed, key, body, Examination, lambda deed: _record(deed, body), status=201)


@router.post(
    "/examinations/{examination_id}/correction",
    status_code=201,
    responses=documented(400, 404, 409, 413),
)
def correct_examination(
    examination_id: str, body: Correction, deed: StaffDeed, key: IdempotencyKey = None
) -> Examination:
    """Put another record in the place of one that stands; 409 when it does not stand any more."""

    def correct(deed: Deed) -> Examination:
        what = ExaminationFields(**body.model_dump(exclude={"reason"}))
        return _record(deed, what, corrects=examination_id, reason=body.reason)

    return once(deed, key, body, Examination, correct, status=201)


@router.post(
    "/examinations/{examination_id}/withdrawal",
    status_code=201,
    responses=documented(400, 404, 409, 413),
)
def withdraw_record(
    examination_id: str, body: Withdrawal, deed: StaffDeed, key: IdempotencyKey = None
) -> Examination:
    """Say that there was no such examination; what was on record before it counts again."""

    def withdraw(deed: Deed) -> Examination:
        return _stored(
            deed,
            withdraw_examination(
                deed.database,
                examination_id,
                body.reason,
                deed.catalogue,
                now=deed.now,
                origin=deed.origin,
            ),
        )

    return once(deed, key, body, Examination, withdraw, status=201)


def _record(
    deed: Deed, examined: ExaminationFields, *, corrects: str | None = None, reason: str = ""
) -> Examination:
    row = record_examination(
        deed.database,
        examined,
        deed.catalogue,
        now=deed.now,
        origin=deed.origin,
        corrects=corrects,
        reason=reason,
    )
    return _stored(deed, row)


def _stored(deed: Deed, row: ExaminationRow) -> Examination:
    deed.response.headers["Location"] = f"/v1/examinations/{row.id}"
    return _shown(row)


def _shown(row: ExaminationRow) -> Examination:
    return from_row(Examination, row)
