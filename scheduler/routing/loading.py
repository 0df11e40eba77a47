"""Loading the compiled search: once per process, from a cache folder where there is one."""

import fcntl
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, ParamSpec, TypeVar

import numpy as np

from scheduler.routing.parts import Place, Shift, Visit
from scheduler.routing.problem import Problem

if TYPE_CHECKING:
    from scheduler.routing.kernel.layout import Rules, Search, World

    Advance = Callable[[World, Search, Rules, int, float, float], None]

_Given = ParamSpec("_Given")
_Answer = TypeVar("_Answer")

COMPILING = "Compiling the route search; this takes up to half a minute, once."
COMPILING_EACH_TIME = (
    "Compiling the route search; this takes up to half a minute at every start, "
    "since no cache folder is writable."
)

_loaded: list["Advance"] = []


def load_kernel(
    *, cache_folder: Path | None = None, announce: Callable[[str], None] | None = None
) -> "Advance":
    """Load the compiled search, compiling it if need be; later calls return at once.

    Parameters
    ----------
    cache_folder
        Where the machine code is kept, made if need be. Without one, or when it is not writable:
        the folder in the environment's NUMBA_CACHE_DIR, then the user's cache folder. The first
        call decides.
    announce
        Told in a sentence before anything is compiled, which takes up to half a minute.
    """
    if not _loaded:
        from scheduler.routing.kernel import annealing, compiling

        folder = compiling.usable_folder(cache_folder)
        if announce is not None and not compiling.JIT_DISABLED:
            if folder is None:
                announce(COMPILING_EACH_TIME)
            elif not any(folder.rglob("annealing.*.nbi")):
                announce(COMPILING)
        advance = compiling.compiled_entry(annealing.advance, folder)
        _run_once(first_in_turn(advance, folder))
        _loaded.append(advance)
    return _loaded[0]


def first_in_turn(
    entry: Callable[_Given, _Answer], folder: Path | None
) -> Callable[_Given, _Answer]:
    """Let the first call of a compiled function, which compiles it, wait for other processes.

    What another one made meanwhile is then read from the folder. The system gives the lock back
    when a process dies.
    """
    called: list[bool] = []

    def call(*given: _Given.args, **named: _Given.kwargs) -> _Answer:
        if called or folder is None:
            return entry(*given, **named)
        folder.mkdir(parents=True, exist_ok=True)
        with (folder / "turn").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            answer = entry(*given, **named)
        called.append(True)
        return answer

    return call


def _run_once(advance: "Advance") -> None:
    """Plan one visit, so that nothing is left to compile when it counts."""
    from scheduler.routing.flattening import flatten, new_search
    from scheduler.routing.kernel.layout import Rules

    here = Place(id="here")
    shift = Shift(id="s", technician="t", start_place=0, end_place=0, start=0, end=60)
    visit = Visit(id="v", place=0, minutes=30, start_windows=((0, 30),), leave_out_cost=1)
    problem = Problem(
        minute_zero=datetime(2000, 1, 1, tzinfo=UTC),
        places=(here,),
        travel_minutes=np.zeros((1, 1), dtype=np.int32),
        shifts=(shift,),
        visits=(visit,),
    )
    world = flatten(problem, None, 1)
    rules = Rules(
        hottest=1.0,
        coldest=1.0,
        mean_removed=1.0,
        longest_string=1,
        split_share=0.0,
        regret_share=0.0,
        swap_share=0.0,
        absent_limit=1,
        full_scan_share=0.0,
        blinking_share=0.0,
        reluctance=0.0,
        homing_share=0.0,
    )
    advance(world, new_search(problem, world, 0), rules, 0, 0.0, 1.0)
