"""The web process: the API and the feeds, with or without the clock inside.

``with_clock`` and ``without_clock`` are factories for a server such as uvicorn. What they need is
imported when they are called: the compiler of the planner reads its cache folder at import.
"""

import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from fastapi import FastAPI

from api.settings import Settings, prepare_data_folder


def with_clock() -> FastAPI:
    """Return the application that also runs the nightly jobs and solves plans."""
    return _application(clock_inside=True)


def without_clock() -> FastAPI:
    """Return the application alone; a clock runs in another process."""
    return _application(clock_inside=False)


def _application(*, clock_inside: bool) -> FastAPI:
    settings = Settings.from_environment(os.environ)
    prepare_data_folder(settings)

    from api.clock import Clock  # after the data folder is prepared, see above
    from api.http.app import create_app
    from api.storage.database import Database
    from seed_data.catalogue import load_catalogue

    database = Database(settings.database_url)
    database.create_or_upgrade()
    catalogue = load_catalogue()

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        clock = Clock(database, catalogue) if clock_inside else None
        if clock is not None:
            clock.start()
        yield
        if clock is not None:
            clock.stop()
        database.close()

    return create_app(database, catalogue, public_url=settings.public_url, lifespan=lifespan)
