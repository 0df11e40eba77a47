"""The version of every record that can change: its ETag, and the guard against lost updates."""

from typing import Any

from sqlalchemy.orm import declared_attr
from sqlmodel import SQLModel

from scheduler.errors import StaleVersion


class Versioned(SQLModel):
    """Adds ``version``: 1 at first, raised by the database layer itself with every change.

    Nobody sets it by hand. An update of a row that changed since it was read touches no row and
    raises ``StaleVersion``.
    """

    version: int = 1

    @declared_attr.directive
    def __mapper_args__(cls) -> dict[str, Any]:  # noqa: N805 - a directive is handed the class
        return {"version_id_col": cls.__table__.c.version}  # type: ignore[attr-defined]

    def expect_version(self, version: int | None) -> None:
        """Refuse to go on when the row is no longer at the version its reader saw.

        Raises
        ------
        StaleVersion
            Unless ``version`` is None or current.
        """
        if version is not None and version != self.version:
            raise StaleVersion(f"the record is at version {self.version}, not {version}")
