"""The command line: everything an operator or a dispatcher does from a terminal."""

import sys

import typer
from rich.console import Console

from api.cli.access import feed_app, key_app
from api.cli.demo import demo
from api.cli.outlook import show_outlook
from api.cli.planning import plan, seed
from api.cli.problem import problem_app
from api.cli.serving import serve
from scheduler.errors import SteamroundError

app = typer.Typer(
    name="steamround",
    help="Plans the upkeep of commercial espresso machines: due work, visits, rounds, calendars.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
)
app.command()(demo)
app.command()(serve)
app.command()(seed)
app.command()(plan)
app.command("outlook")(show_outlook)
app.add_typer(problem_app, name="problem")
app.add_typer(key_app, name="key")
app.add_typer(feed_app, name="feed")


def main() -> None:
    """Run the command line; what went wrong is said in words, with exit status 2."""
    try:
        app()
    except SteamroundError as error:
        Console(stderr=True).print(f"{error}", style="red", markup=False, highlight=False)
        sys.exit(2)
