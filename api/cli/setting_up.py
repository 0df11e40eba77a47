"""What every command begins with: settings, database, catalogue."""

import os
from datetime import date
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from api.settings import DATA_FOLDER, Settings, prepare_data_folder
from api.storage.audit import Origin
from api.storage.catalogue_edits import KnownCatalogue
from api.storage.database import Database
from scheduler.catalogue import Catalogue
from seed_data.catalogue import load_catalogue

console = Console()
OPERATOR = Origin(actor="command line")

DataFolder = Annotated[
    Path | None,
    typer.Option(
        "--data-folder",
        help="Where the data lies; STEAMROUND_DATA_FOLDER or ./steamround-data otherwise.",
    ),
]


def day_from(text: str) -> date:
    """Read a day typed on the command line."""
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise typer.BadParameter(f"{text!r} is not a day such as 2027-03-22") from error


def settings_for(data_folder: Path | None) -> Settings:
    """Return the settings of this process, with its data folder made."""
    environment = dict(os.environ)
    if data_folder is not None:
        environment[DATA_FOLDER] = str(data_folder)
    settings = Settings.from_environment(environment)
    prepare_data_folder(settings)
    return settings


def open_database(settings: Settings) -> Database:
    """Return the database in its present form."""
    database = Database(settings.database_url)
    database.create_or_upgrade()
    return database


def known_catalogue(database: Database) -> Catalogue:
    """Return the catalogue that comes with the program, with the company's own edits."""
    return KnownCatalogue(load_catalogue()).of(database)
