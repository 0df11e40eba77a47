"""The catalogue: what is known of the trade."""

from fastapi import APIRouter
from pydantic import BaseModel, Field

from api.http.context import AnyonesLook, Catalogue, StaffLook
from api.http.problems import documented
from api.http.wire import from_row
from scheduler import catalogue as trade

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
def list_symptoms(_: AnyonesLook, known: Catalogue) -> Symptoms:
    """List what a caller can report."""
    return Symptoms(items=[from_row(Symptom, entry) for entry in known.symptoms.values()])


@router.get("/faults", responses=documented())
def list_faults(_: StaffLook, known: Catalogue) -> Faults:
    """List what can be found behind a callback, and named as its cause."""
    return Faults(items=[from_row(Fault, entry) for entry in known.faults.values()])


@router.get("/part-types", responses=documented())
def list_part_types(_: StaffLook, known: Catalogue) -> PartTypes:
    """List the parts that can be fitted and ordered."""
    return PartTypes(items=[from_row(PartType, entry) for entry in known.part_types.values()])


@router.get("/skills", responses=documented())
def list_skills(_: StaffLook, known: Catalogue) -> Skills:
    """List the skills work may need."""
    return Skills(items=[from_row(Skill, entry) for entry in known.skills.values()])


@router.get("/service-rules", responses=documented())
def list_service_rules(_: StaffLook, known: Catalogue) -> ServiceRules:
    """List the recurring work, its intervals, minutes and cautions."""
    return ServiceRules(items=list(known.rules.values()))


@router.get("/set-points", responses=documented())
def list_set_points(_: StaffLook, known: Catalogue) -> SetPoints:
    """List the readings and the ranges they must lie in."""
    return SetPoints(items=list(known.set_points.values()))
