"""The catalogue in force: the files', with the stored edits laid over them."""

import logging
from dataclasses import dataclass, replace

from sqlmodel import Session, col, select

from api.storage.database import Database, Mark
from api.storage.tables import CatalogueEditRow, CompanyRow
from scheduler.catalogue import Catalogue
from scheduler.catalogue_edits import CatalogueEdit, EditedCatalogue, edited_catalogue

log = logging.getLogger("steamround.catalogue")


def standing_edits(session: Session) -> tuple[CatalogueEdit, ...]:
    """Return the edits nobody has taken back, in their order."""
    taken_back = select(CatalogueEditRow.takes_back).where(
        col(CatalogueEditRow.takes_back).is_not(None)
    )
    rows = session.exec(
        select(CatalogueEditRow)
        .where(col(CatalogueEditRow.takes_back).is_(None))
        .where(col(CatalogueEditRow.id).not_in(taken_back))
        .order_by(col(CatalogueEditRow.number))
    )
    return tuple(CatalogueEdit(id=row.id, text=row.text) for row in rows)


def last_edit(session: Session) -> CatalogueEditRow | None:
    """Return the last edit or taking back, None before the first."""
    return session.exec(
        select(CatalogueEditRow).order_by(col(CatalogueEditRow.number).desc())
    ).first()


@dataclass(frozen=True, slots=True, kw_only=True)
class CatalogueInForce:
    """What a process knows: the catalogue after ``last_edit``, as it stood at a change mark.

    ``version`` counts from 1 and rises with every edit and every taking back; ``currency`` is that
    of the company's sentences about money.
    """

    edited: EditedCatalogue
    version: int = 1
    last_edit: str | None = None
    seen: tuple[Database, Mark] | None = None
    currency: str = ""


class KnownCatalogue:
    """The catalogue of one process, brought up to date whenever any process has stored an edit.

    An edit that does not fit the files of the program is passed over, and the log says so.
    """

    def __init__(self, shipped: Catalogue) -> None:
        self.shipped = shipped
        self._held = CatalogueInForce(edited=edited_catalogue(shipped, ()))
        self._said = (shipped, shipped)  # without and with the currency of its sentences

    def of(self, database: Database) -> Catalogue:
        """Return the catalogue in force; without a query where nobody has written anything."""
        mark, held = database.change_mark(), self._held
        if mark is None or held.seen != (database, mark):
            with database.read() as session:
                in_force = self.at(session)
                company = session.get(CompanyRow, 1)
                currency = company.currency if company else ""
            if in_force.last_edit != held.last_edit:
                for edit, flaws in in_force.edited.passed_over.items():
                    what = "; ".join(map(str, flaws))
                    log.error("edit %s of the catalogue is not in force: %s", edit, what)
            # one assignment: a slower thread may put an older state back, with its older mark
            seen = None if mark is None else (database, mark)
            held = self._held = replace(in_force, seen=seen, currency=currency)
        return self._in_currency(held)

    def _in_currency(self, held: CatalogueInForce) -> Catalogue:
        plain, said = self._said
        if plain is not held.edited.catalogue or said.currency != held.currency:
            plain = held.edited.catalogue
            said = replace(plain, currency=held.currency)
            self._said = plain, said
        return said

    def at(self, session: Session) -> CatalogueInForce:
        """Return what is in force in one state of the database."""
        last, held = last_edit(session), self._held
        if last is None or last.id == held.last_edit:
            return held if last else CatalogueInForce(edited=edited_catalogue(self.shipped, ()))
        edited = edited_catalogue(self.shipped, standing_edits(session))
        return CatalogueInForce(edited=edited, version=last.number + 1, last_edit=last.id)
