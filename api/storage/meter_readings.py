"""Counter readings that stand: neither corrected by a later record nor withdrawn."""

from sqlalchemy.orm import aliased
from sqlmodel import col, exists, select

from api.storage.tables import MeterReadingRow

_correction = aliased(MeterReadingRow)

STANDING = ~col(MeterReadingRow.withdrawn) & ~exists(
    select(_correction.id).where(_correction.corrects == MeterReadingRow.id)
)
"""The condition that a reading counts."""
