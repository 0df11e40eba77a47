"""The company's own changes of the catalogue, laid over the files one after the other.

An edit names only the keys it changes, so what the files say of the others goes on to count, also
when they are replaced by newer ones. An edit that no longer fits the files is passed over and told
of: a company must not stand still because of it.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from scheduler.catalogue import Catalogue
from scheduler.catalogue_limits import flaws_of_relaxing
from scheduler.catalogue_text import BY_ID, amended_catalogue
from scheduler.errors import Flaw, InvalidCatalogue


@dataclass(frozen=True, slots=True, kw_only=True)
class CatalogueEdit:
    """Some keys of some entries, as TOML (``scheduler.catalogue_text.amended_catalogue``)."""

    id: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class EditedCatalogue:
    """The catalogue in force.

    Attributes
    ----------
    limits
        Every entry as it was first said, by the files or by the edit that added it: what no edit
        may relax.
    passed_over
        Edit -> what no longer fits. The others are in force.
    """

    catalogue: Catalogue
    limits: Catalogue
    passed_over: Mapping[str, tuple[Flaw, ...]] = field(default_factory=dict)

    def amended(self, text: str, *, name: str = "change") -> "EditedCatalogue":
        """Return it with one more change.

        Raises
        ------
        InvalidCatalogue
            With everything that is wrong with the text, that would no longer fit together, or that
            would relax what the law, a maker or safety asks for.
        """
        catalogue = amended_catalogue(self.catalogue, text, name=name)
        if flaws := flaws_of_relaxing(self.limits, catalogue):
            raise InvalidCatalogue(flaws)
        firsts: dict[str, Any] = {
            table: {**getattr(catalogue, table), **getattr(self.limits, table)} for table in BY_ID
        }
        return replace(self, catalogue=catalogue, limits=replace(self.limits, **firsts))


def edited_catalogue(shipped: Catalogue, edits: Iterable[CatalogueEdit]) -> EditedCatalogue:
    """Return the files' catalogue with edits laid over it, in their order."""
    edited = EditedCatalogue(catalogue=shipped, limits=shipped)
    passed_over: dict[str, tuple[Flaw, ...]] = {}
    for edit in edits:
        try:
            edited = edited.amended(edit.text, name=edit.id)
        except InvalidCatalogue as refusal:
            passed_over[edit.id] = refusal.flaws
    return replace(edited, passed_over=passed_over)


def without_edit(
    shipped: Catalogue, edits: Iterable[CatalogueEdit], taken_back: str
) -> EditedCatalogue:
    """Return the catalogue as it is once an edit has been taken back.

    Raises
    ------
    InvalidCatalogue
        When later edits rest on it, so that they would no longer fit: they are to be taken back
        first.
    """
    edits = tuple(edits)
    before = edited_catalogue(shipped, edits).passed_over
    after = edited_catalogue(shipped, (edit for edit in edits if edit.id != taken_back))
    flaws = [
        replace(flaw, message=f"{flaw.message} (edit {edit} rests on it: take that back first)")
        for edit, found in after.passed_over.items()
        if edit not in before
        for flaw in found
    ]
    if flaws:
        raise InvalidCatalogue(tuple(flaws))
    return after
