"""``steamround key`` and ``steamround feed``: who may come in."""

from typing import Annotated

import typer

from api.actions.calendars import THE_COMPANY, Feed
from api.actions.feed_links import create_feed_link
from api.actions.keys import create_key
from api.auth import Role
from api.cli.feed_check import check
from api.cli.setting_up import (
    OPERATOR,
    DataFolder,
    console,
    known_catalogue,
    open_database,
    settings_for,
)
from api.present import time_of
from api.settings import DEFAULT_PUBLIC_URL
from api.storage.public_address import public_address
from api.storage.tables import FeedKind

key_app = typer.Typer(help="API keys.", no_args_is_help=True)
feed_app = typer.Typer(help="Calendar feeds.", no_args_is_help=True)
feed_app.command("check")(check)


@key_app.command("create")
def create(
    name: Annotated[str, typer.Argument(help="Who or what uses the key.")],
    role: Annotated[Role, typer.Option(help="What it may do.")],
    client: Annotated[str | None, typer.Option(help="Client id of a portal key.")] = None,
    technician: Annotated[str | None, typer.Option(help="Technician id of their key.")] = None,
    data_folder: DataFolder = None,
) -> None:
    """Make an API key. It is shown once and kept nowhere."""
    settings = settings_for(data_folder)
    row, secret = create_key(
        open_database(settings),
        name=name,
        role=role,
        client=client,
        technician=technician,
        now=time_of(settings)(),
        origin=OPERATOR,
    )
    console.print(f"Key {row.id} of {name} ({role}). Keep it, it is not shown again:")
    print(secret)


@feed_app.command("link")
def link(
    subject: Annotated[
        str, typer.Argument(help="Technician id, or site id for the kind site.")
    ] = THE_COMPANY,
    kind: Annotated[FeedKind, typer.Option(help="What is shown.")] = FeedKind.TECHNICIAN,
    device: Annotated[str, typer.Option(help="On which device it will be used.")] = "calendar",
    data_folder: DataFolder = None,
) -> None:
    """Make a calendar address for one device. It is shown once."""
    settings = settings_for(data_folder)
    database = open_database(settings)
    row, path = create_feed_link(
        database,
        Feed(kind, subject),
        device,
        known_catalogue(database),
        now=time_of(settings)(),
        origin=OPERATOR,
    )
    console.print(f"Feed link {row.id} for {device}. Keep it, it is not shown again:")
    with database.read() as session:
        base = settings.public_url or public_address(session) or DEFAULT_PUBLIC_URL
    print(f"{base}{path}")
