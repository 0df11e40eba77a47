"""What the company decided about its upkeep, and the parts it has at hand."""

from datetime import date, datetime

from sqlmodel import Field, SQLModel

from api.storage.tables.versioned import Versioned


class IntervalDecisionRow(Versioned, table=True):
    """The company's own interval for a rule, on one machine or (``machine_id`` None) on all.

    Kept for good: ``withdrawn_on`` ends it.
    """

    __tablename__ = "interval_decision"

    id: str = Field(primary_key=True)
    rule: str = Field(index=True)
    machine_id: str | None = Field(default=None, foreign_key="machine.id", index=True)
    months: float
    decided_by: str
    decided_on: date
    reason: str
    withdrawn_on: date | None = None


class CatalogueEditRow(SQLModel, table=True):
    """A change of the catalogue, or the taking back of one: kept for good and never changed.

    ``number`` counts them from 1 and is the order in which they are laid over the files.
    """

    __tablename__ = "catalogue_edit"

    number: int = Field(primary_key=True)
    id: str = Field(unique=True)
    text: str = ""  # TOML; empty when it takes another back
    takes_back: str | None = Field(default=None, foreign_key="catalogue_edit.id", unique=True)
    reason: str
    made_by: str
    made_at: datetime


class ExaminationRow(SQLModel, table=True):
    """A statutory examination by a competent person, as its certificate says; never changed.

    A correction is a row that takes the place of the one in ``corrects``; ``withdrawn`` says that
    there was no such examination at all.
    """

    __tablename__ = "examination"

    id: str = Field(primary_key=True)
    machine_id: str = Field(foreign_key="machine.id", index=True)
    fitted_part_id: str | None = Field(default=None, foreign_key="fitted_part.id")
    rule: str
    certificate: str
    competent_person: str
    body: str  # the organisation they act for
    examined_on: date
    result: str  # "passed", "passed_with_conditions" or "failed"
    valid_until: date | None = Field(default=None, index=True)
    findings: str = ""
    recorded_by: str
    recorded_at: datetime
    corrects: str | None = Field(default=None, foreign_key="examination.id", unique=True)
    withdrawn: bool = False
    reason: str = ""


class StockRow(SQLModel, table=True):
    """Pieces of a part counted at a place: "workshop", or the id of the technician whose van it is.

    A place without a row was never counted; one that was counted empty has a row of no part.
    """

    __tablename__ = "stock"

    place: str = Field(primary_key=True)
    part_type: str = Field(primary_key=True)
    pieces: int
    counted_at: datetime
