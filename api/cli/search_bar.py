"""A bar on the terminal while the planner searches."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from api.cli.setting_up import console


@contextmanager
def search_bar() -> Iterator[Callable[[float, int], None]]:
    """Show a bar; tell it the share of the search done, from 0 to 1, and the cost so far."""
    with Progress(
        TextColumn("Planning"),
        BarColumn(),
        TextColumn("{task.fields[cost]}"),
        TimeElapsedColumn(),
        console=console,
    ) as progress:
        bar = progress.add_task("", total=1.0, cost="preparing")

        def show(share: float, cost: int) -> None:
            progress.update(bar, completed=share, cost=f"cost {cost}")

        yield show
        progress.update(bar, completed=1.0)
