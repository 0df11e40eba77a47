"""The serving process: the API and the feeds, with the clock inside it or without.

``uvicorn --factory api.main:with_clock`` is the embedded default, one process; replicas behind a
balancer run ``api.main:without_clock`` and a clock of their own beside them.
"""

import logging
import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from fastapi import FastAPI

from api.actions.calendars import move_calendars
from api.clock import Clock
from api.http.app import create_app
from api.outbox.sending import Sender
from api.present import present, time_of
from api.road_service import RoadService
from api.settings import DEFAULT_PUBLIC_URL, Settings, prepare_data_folder
from api.storage.catalogue_edits import KnownCatalogue
from api.storage.database import Database
from seed_data.catalogue import load_catalogue


def with_clock() -> FastAPI:
    """Return the application with a clock that runs as long as it does."""
    return _application(clock=True)


def without_clock() -> FastAPI:
    """Return the application alone; somebody else has to run a clock."""
    return _application(clock=False)


def _application(*, clock: bool) -> FastAPI:
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(name)s %(message)s")
    # it tells of every tick, and warns of each that finds the last one still at work, as is usual
    logging.getLogger("apscheduler").setLevel(logging.ERROR)
    logging.getLogger("alembic").setLevel(logging.WARNING)
    settings = Settings.from_environment(os.environ)
    prepare_data_folder(settings)
    database = Database(settings.database_url)
    database.create_or_upgrade()
    catalogue, tell_time = load_catalogue(), time_of(settings)
    public_url = settings.public_url or DEFAULT_PUBLIC_URL
    in_force = KnownCatalogue(catalogue).of(database)
    move_calendars(database, public_url, in_force, now=tell_time())

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        sender = Sender(tell_time=present, loopback=settings.webhooks_to_loopback)
        roads = None if settings.roads_url is None else RoadService(settings.roads_url)
        ticking = (
            Clock(
                database,
                catalogue,
                tell_time=tell_time,
                sender=sender,
                roads=roads,
                planning_threads=settings.planning_threads,
            )
            if clock
            else None
        )
        if ticking is not None:
            ticking.start()
        yield
        if ticking is not None:
            ticking.stop()
        if roads is not None:
            roads.close()
        database.close()

    return create_app(
        database,
        catalogue,
        public_url=public_url,
        requests_per_minute=settings.requests_per_minute,
        webhooks_to_loopback=settings.webhooks_to_loopback,
        tell_time=tell_time,
        lifespan=lifespan,
    )
