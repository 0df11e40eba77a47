"""What has to be done: due tasks, callbacks and the visits made of them."""

from datetime import date, datetime
from typing import Any

from sqlalchemy import JSON
from sqlmodel import Field, SQLModel

from api.storage.tables.versioned import Versioned


class DueTaskRow(Versioned, table=True):
    """Raised by upkeep under its natural id; ``state`` is open, done or dropped."""

    __tablename__ = "due_task"

    id: str = Field(primary_key=True)
    machine_id: str = Field(foreign_key="machine.id", index=True)
    site_id: str = Field(foreign_key="site.id", index=True)
    fitted_part_id: str | None = Field(default=None, foreign_key="fitted_part.id")
    rule: str
    anchor: date
    earliest: date
    target: date = Field(index=True)
    latest: date
    hard: bool
    because: str
    state: str = Field(default="open", index=True)
    visit_id: str | None = Field(default=None, foreign_key="visit.id", index=True)


class VisitRow(Versioned, table=True):
    """One call at one site by one technician: a bundle of due tasks, or a callback.

    ``state`` is open (to be planned), booked (has a live appointment), done or dropped.
    ``window`` is access, quiet or any (an urgent callback). The worksheet is stored as built.
    """

    __tablename__ = "visit"

    id: str = Field(primary_key=True)
    site_id: str = Field(foreign_key="site.id", index=True)
    kind: str  # "upkeep", "statutory" or "callback"
    window: str
    minutes: int
    skills: list[str] = Field(sa_type=JSON)
    parts: dict[str, int] = Field(default_factory=dict, sa_type=JSON)
    earliest: date
    target: date
    latest: date
    hard_latest: date | None = None  # the last day law or the maker allow
    urgency: str | None = None
    respond_by: datetime | None = None
    headlines: list[str] = Field(sa_type=JSON)  # short names of the work, the first counts most
    worksheet: dict[str, Any] = Field(sa_type=JSON)
    because: str = ""
    state: str = Field(default="open", index=True)
    awaits_price: bool = False  # out of cover, and the client has not accepted its price


class CallbackRow(Versioned, table=True):
    """A fault report from a client. ``finding`` is the answer of triage as given at the time;
    ``cause`` is the fault of the catalogue that was found at the machine.
    """

    __tablename__ = "callback"

    id: str = Field(primary_key=True)
    client_id: str = Field(foreign_key="client.id", index=True)
    site_id: str = Field(foreign_key="site.id", index=True)
    machine_id: str = Field(foreign_key="machine.id", index=True)
    reported_at: datetime
    symptoms: list[str] = Field(sa_type=JSON)
    text: str = ""
    urgency: str
    respond_by: datetime | None = None
    covered: bool = True  # False when no contract was in force: the client pays
    price: dict[str, Any] | None = Field(default=None, sa_type=JSON)  # what was last estimated
    photos: list[str] = Field(default_factory=list, sa_type=JSON)  # never fetched
    finding: dict[str, Any] = Field(sa_type=JSON)
    cause: str | None = None
    visit_id: str | None = Field(default=None, foreign_key="visit.id", index=True)
    state: str = Field(default="open", index=True)  # open, done or cancelled


class PriceAcceptanceRow(SQLModel, table=True):
    """A client accepted a price. The database refuses to change or delete these rows."""

    __tablename__ = "price_acceptance"

    id: str = Field(primary_key=True)
    callback_id: str = Field(foreign_key="callback.id", index=True)
    price: dict[str, Any] = Field(sa_type=JSON)
    amount_minor: int
    currency: str
    accepted_at: datetime
    accepted_by: str  # the name of the person, as given
    actor: str  # the key it came with
    request_id: str = ""
