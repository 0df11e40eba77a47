"""``steamround feed check``: what a calendar program would dislike."""

from pathlib import Path
from typing import Annotated

import httpx
import typer

from api.cli.setting_up import console
from api.feeds.checking import Complaint, Weight, complaints_about
from api.feeds.checking_delivery import complaints_about_address
from scheduler.errors import Absent

_SECONDS = 20.0
_STYLE = {Weight.WRONG: "bold red", Weight.RISKY: "yellow", Weight.NOTE: "cyan"}


def check(
    source: Annotated[str, typer.Argument(help="The calendar's address, or a file.")],
) -> None:
    """Say in plain words what a calendar program would dislike about a calendar.

    The exit status is 1 when something is wrong.
    """
    if source.startswith(("http://", "https://", "webcal://")):
        with httpx.Client(timeout=_SECONDS) as client:
            complaints = complaints_about_address(source, client)
    else:
        file = Path(source)
        if not file.is_file():
            raise Absent("file", source)
        complaints = complaints_about(file.read_bytes())
    print_complaints(complaints)
    if any(complaint.weight is Weight.WRONG for complaint in complaints):
        raise typer.Exit(1)


def print_complaints(complaints: list[Complaint]) -> None:
    """Print complaints, the weightiest first."""
    order = list(Weight)
    for complaint in sorted(complaints, key=lambda each: order.index(each.weight)):
        about = f"{complaint.where}: " if complaint.where else ""
        console.print(f"{complaint.weight:>5}  ", style=_STYLE[complaint.weight], end="")
        console.print(f"{about}{complaint.sentence}", markup=False, highlight=False)
    if not complaints:
        console.print("Nothing to dislike.")
