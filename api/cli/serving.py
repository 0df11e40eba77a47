"""``steamround serve``: the API, the feeds and the clock in one process."""

import os
from typing import Annotated

import typer
import uvicorn

from api.cli.printing import print_demo_time
from api.cli.setting_up import DataFolder, console, open_database, settings_for
from api.present import demo_clock
from api.settings import DATA_FOLDER, PUBLIC_URL


def serve(
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(help="Port to listen on.")] = 8000,
    clock: Annotated[bool, typer.Option(help="Run the nightly jobs and solve plans here.")] = True,
    data_folder: DataFolder = None,
) -> None:
    """Serve the API and the calendar feeds until interrupted."""
    settings = settings_for(data_folder)
    os.environ[DATA_FOLDER] = str(settings.data_folder)
    public_url = settings.public_url or _own_address(host, port)
    os.environ[PUBLIC_URL] = public_url
    console.print(f"Serving {settings.data_folder} at {_own_address(host, port)}.")
    console.print(
        f"The API is described at {public_url}/v1/docs; calendars are at {public_url} too."
    )
    if (tell_time := demo_clock(settings)) is not None:
        database = open_database(settings)
        print_demo_time(database, tell_time())
        database.close()
    uvicorn.run(
        "api.main:with_clock" if clock else "api.main:without_clock",
        factory=True,
        host=host,
        port=port,
        access_log=False,  # addresses of feeds are secrets
    )


def _own_address(host: str, port: int) -> str:
    """Return where a server is reached from its own machine."""
    name = "127.0.0.1" if host in ("0.0.0.0", "::", "") else host
    return f"http://[{name}]:{port}" if ":" in name else f"http://{name}:{port}"
