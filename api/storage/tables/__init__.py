"""The tables, one file per subject. Importing this package registers all of them.

Foreign keys are checked at commit, so the rows of one transaction may be added in any order.
"""

from sqlmodel import SQLModel

from api.storage.tables.absence_calendars import AbsenceCalendarRow
from api.storage.tables.access import (
    ApiKeyRow,
    FeedDocumentRow,
    FeedKind,
    FeedLinkRow,
    PublicAddressRow,
    WorksheetKeyRow,
)
from api.storage.tables.company import (
    AbsenceRow,
    BookingRulesRow,
    ClientRow,
    CompanyRow,
    ContractRow,
    SiteRow,
    TechnicianRow,
)
from api.storage.tables.equipment import (
    FittedPartRow,
    MachineRow,
    MeasurementRow,
    MeterReadingRow,
    StandstillRow,
    WorkDoneRow,
)
from api.storage.tables.planning import (
    AppointmentRow,
    HandOverRow,
    HoldRow,
    PlanRow,
    PublicationRow,
)
from api.storage.tables.running import (
    AuditRow,
    ClockClaimRow,
    IdempotencyRow,
    OutboxRow,
)
from api.storage.tables.travel import (
    RoadPlaceRow,
    RoadServiceRow,
    RoadWaysRow,
    StayRow,
    TravelCalibrationRow,
)
from api.storage.tables.upkeep import (
    CatalogueEditRow,
    ExaminationRow,
    IntervalDecisionRow,
    StockRow,
)
from api.storage.tables.webhooks import DeliveryRow, WebhookEndpointRow
from api.storage.tables.work import CallbackRow, DueTaskRow, PriceAcceptanceRow, VisitRow

__all__ = [
    "AbsenceCalendarRow",
    "AbsenceRow",
    "ApiKeyRow",
    "AppointmentRow",
    "AuditRow",
    "BookingRulesRow",
    "CallbackRow",
    "CatalogueEditRow",
    "ClientRow",
    "ClockClaimRow",
    "CompanyRow",
    "ContractRow",
    "DeliveryRow",
    "DueTaskRow",
    "ExaminationRow",
    "FeedDocumentRow",
    "FeedKind",
    "FeedLinkRow",
    "FittedPartRow",
    "HandOverRow",
    "HoldRow",
    "IdempotencyRow",
    "IntervalDecisionRow",
    "MachineRow",
    "MeasurementRow",
    "MeterReadingRow",
    "OutboxRow",
    "PlanRow",
    "PriceAcceptanceRow",
    "PublicAddressRow",
    "PublicationRow",
    "RoadPlaceRow",
    "RoadServiceRow",
    "RoadWaysRow",
    "SiteRow",
    "StandstillRow",
    "StayRow",
    "StockRow",
    "TechnicianRow",
    "TravelCalibrationRow",
    "VisitRow",
    "WebhookEndpointRow",
    "WorkDoneRow",
    "WorksheetKeyRow",
]

for _table in SQLModel.metadata.tables.values():
    for _constraint in _table.foreign_key_constraints:
        _constraint.deferrable = True
        _constraint.initially = "DEFERRED"
