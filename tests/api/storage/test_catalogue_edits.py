"""Two processes with one catalogue, on either database."""

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime

import pytest
from sqlmodel import select

from api.actions.edit_catalogue import store_edit, take_edit_back
from api.storage.audit import Origin
from api.storage.catalogue_edits import KnownCatalogue
from api.storage.database import Database
from api.storage.tables import CatalogueEditRow
from scheduler.catalogue import Catalogue
from scheduler.errors import Conflict
from seed_data.catalogue import load_catalogue

NOW = datetime(2027, 3, 1, 9, tzinfo=UTC)
RULE = "group_gasket_replace"


@pytest.fixture(scope="module")
def shipped() -> Catalogue:
    return load_catalogue()


def edit(database: Database, known: KnownCatalogue, minutes: int, version: int) -> str:
    row = store_edit(
        database,
        known,
        f"[rules.{RULE}]\nminutes = {minutes}\n",
        "Timed.",
        if_version=version,
        now=NOW,
        origin=Origin(actor="test"),
    )
    return row.id


def test_what_one_process_stores_the_other_knows_at_its_next_look(
    database: Database, database_url: str, shipped: Catalogue
) -> None:
    here, there = KnownCatalogue(shipped), KnownCatalogue(shipped)
    other = Database(database_url)

    def minutes() -> list[float]:
        looks = [here.of(database), there.of(other)]
        return [look.rules[RULE].minutes for look in looks]

    assert minutes() == [shipped.rules[RULE].minutes] * 2
    first = edit(database, here, 19, 1)
    assert minutes() == [19, 19]
    edit(other, there, 21, 2)
    assert minutes() == [21, 21]
    take_edit_back(database, here, first, "No.", if_version=3, now=NOW, origin=Origin(actor="test"))
    assert minutes() == [21, 21]
    other.close()


def test_of_many_who_edit_the_same_version_at_once_one_succeeds(
    database: Database, database_url: str, shipped: Catalogue
) -> None:
    def attempt(minutes: int) -> bool:
        own = Database(database_url)
        try:
            edit(own, KnownCatalogue(shipped), minutes, 1)
        except Conflict:  # it had changed, or the database refused the number
            return False
        finally:
            own.close()
        return True

    with ThreadPoolExecutor(max_workers=4) as pool:
        stored = list(pool.map(attempt, (17, 18, 19, 20)))

    assert sorted(stored) == [False, False, False, True]
    with database.read() as session:
        (row,) = session.exec(select(CatalogueEditRow)).all()
    kept = KnownCatalogue(shipped).of(database).rules[RULE].minutes
    assert f"minutes = {kept:.0f}" in row.text
