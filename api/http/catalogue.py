"""The catalogue: what is known of the trade, and what a change of it would move."""

from fastapi import APIRouter, Request
from pydantic import BaseModel, ConfigDict, Field

from api.actions.decide_intervals import preview_catalogue
from api.http.context import AnyonesLook, Catalogue, Now, OfficeLook, StaffLook
from api.http.interval_decisions import Changes, shown_changes
from api.http.problems import documented
from api.http.wire import Given, from_row
from api.storage.snapshots import company_zone
from scheduler import catalogue as trade
from scheduler.catalogue_text import amended_catalogue
from scheduler.working_time import local_date

router = APIRouter(prefix="/v1/catalogue", tags=["catalogue"])


class Symptom(BaseModel):
    """What a caller sees."""

    id: str
    name: str
    question: str = Field(description="How to ask for it.")
    red_flag: bool = Field(description="Danger: make safe first, whatever else is said.")
    make_safe: str | None = Field(description="What to do at once. Local codes come first.")


class PartType(BaseModel):
    """A part as it is ordered."""

    id: str
    name: str
    price_minor: int = Field(description="In minor units of the company's currency.")
    lead_days: int
    superseded_by: str | None


class Skill(BaseModel):
    """Something a technician must be allowed and able to do."""

    id: str
    name: str


class Symptoms(BaseModel):
    """All symptoms, in the order of the catalogue."""

    items: list[Symptom]


class Fault(BaseModel):
    """A likely cause of trouble."""

    id: str
    name: str
    part_type: str | None


class Faults(BaseModel):
    """All faults, in the order of the catalogue."""

    items: list[Fault]


class PartTypes(BaseModel):
    """All part types, in the order of the catalogue."""

    items: list[PartType]


class Skills(BaseModel):
    """All skills, in the order of the catalogue."""

    items: list[Skill]


class ServiceRules(BaseModel):
    """All service rules with everything known about them, in the order of the catalogue."""

    items: list[trade.ServiceRule]


class SetPoints(BaseModel):
    """All readings and the ranges they must lie in, in the order of the catalogue."""

    items: list[trade.SetPoint]


@router.get("/symptoms", responses=documented())
def list_symptoms(look: AnyonesLook) -> Symptoms:
    """List what a caller can report."""
    known = _catalogue(look.request)
    return Symptoms(items=[from_row(Symptom, entry) for entry in known.symptoms.values()])


@router.get("/faults", responses=documented())
def list_faults(look: StaffLook) -> Faults:
    """List what can be found behind a callback, and named as its cause."""
    known = _catalogue(look.request)
    return Faults(items=[from_row(Fault, entry) for entry in known.faults.values()])


@router.get("/part-types", responses=documented())
def list_part_types(look: StaffLook) -> PartTypes:
    """List the parts that can be fitted and ordered."""
    known = _catalogue(look.request)
    return PartTypes(items=[from_row(PartType, entry) for entry in known.part_types.values()])


@router.get("/skills", responses=documented())
def list_skills(look: StaffLook) -> Skills:
    """List the skills work may need."""
    known = _catalogue(look.request)
    return Skills(items=[from_row(Skill, entry) for entry in known.skills.values()])


@router.get("/service-rules", responses=documented())
def list_service_rules(look: StaffLook) -> ServiceRules:
    """List the recurring work, its intervals, minutes and cautions."""
    return ServiceRules(items=list(_catalogue(look.request).rules.values()))


@router.get("/set-points", responses=documented())
def list_set_points(look: StaffLook) -> SetPoints:
    """List the readings and the ranges they must lie in."""
    return SetPoints(items=list(_catalogue(look.request).set_points.values()))


class CatalogueChange(Given):
    """Entries written as in the files of the catalogue, each whole; new ones are added."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [{"text": '[skills.espresso]\nname = "Espresso machines"\n'}]
        }
    )

    text: str = Field(min_length=1, max_length=100_000, description="TOML.")


@router.post("/preview", responses=documented(400, 413))
def preview_catalogue_change(
    body: CatalogueChange, look: OfficeLook, catalogue: Catalogue, now: Now
) -> Changes:
    """Check a change of the catalogue and say which due dates it would move. Nothing is stored."""
    changed = amended_catalogue(catalogue, body.text)
    today = local_date(now, company_zone(look.session))
    return shown_changes(preview_catalogue(look.session, catalogue, changed, today=today))


def _catalogue(request: Request) -> trade.Catalogue:
    known: trade.Catalogue = request.app.state.catalogue
    return known
