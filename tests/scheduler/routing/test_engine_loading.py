"""Where the compiled search is kept, and that it is compiled for one set of types only."""

import fcntl
import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from scheduler.routing.engine import Iterations, Params, solve
from scheduler.routing.kernel.compiling import source_hash, usable_folder
from scheduler.routing.loading import COMPILING, first_in_turn, load_kernel
from tests.scheduler.routing.test_engine import in_another_process, town


@pytest.fixture
def nowhere(monkeypatch: pytest.MonkeyPatch) -> None:
    """An environment that names no folder to keep anything in."""
    for name in ("HOME", "XDG_CACHE_HOME", "NUMBA_CACHE_DIR"):
        monkeypatch.delenv(name, raising=False)


@pytest.mark.usefixtures("nowhere")
def test_the_wished_folder_is_made_and_holds_one_version_of_the_kernel(tmp_path: Path) -> None:
    wished = tmp_path / "data" / "compiled"
    assert usable_folder(wished) == wished / f"kernel-{source_hash()}"
    assert [path.name for path in wished.iterdir()] == [f"kernel-{source_hash()}"]


@pytest.mark.usefixtures("nowhere")
def test_versions_nobody_used_for_weeks_are_deleted(tmp_path: Path) -> None:
    current = usable_folder(tmp_path)
    assert current is not None
    now = current.stat().st_mtime
    for name, days in (("kernel-old", 22), ("kernel-recent", 20), ("something else", 99)):
        folder = tmp_path / name
        folder.mkdir()
        (folder / "code.nbc").touch()
        os.utime(folder, (now - days * 86_400,) * 2)
    os.utime(current, (now - 99 * 86_400,) * 2)
    assert usable_folder(tmp_path) == current  # in use again, however long it was not
    kept = [current.name, "kernel-recent", "something else"]
    assert sorted(path.name for path in tmp_path.iterdir()) == kept


@pytest.mark.usefixtures("nowhere")
def test_folders_are_tried_in_turn_until_one_can_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    blocked = tmp_path / "a file"
    blocked.touch()
    assert usable_folder(blocked / "below") is None
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    version = f"kernel-{source_hash()}"
    assert usable_folder(blocked / "below") == (
        tmp_path / "home" / ".cache" / "steamround" / version
    )
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "xdg"))
    assert usable_folder(blocked / "below") == tmp_path / "xdg" / "steamround" / version
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "numba"))
    assert usable_folder(blocked / "below") == tmp_path / "numba" / version


def test_every_problem_runs_the_same_machine_code() -> None:
    plan = solve(town(1, n_visits=12), stop=Iterations(5), seed=1)
    solve(town(2, n_visits=9), stop=Iterations(5), seed=1, start_from=plan, params=Params())
    signatures = getattr(load_kernel(), "signatures", [None])
    assert len(signatures) == 1


ANNOUNCE = """
from pathlib import Path
from scheduler.routing.loading import load_kernel
kernel = load_kernel(cache_folder=Path("{folder}"), announce=print)
print(sum(kernel.stats.cache_misses.values()), "compiled")
"""


def test_the_first_call_alone_waits_its_turn(tmp_path: Path) -> None:
    folder = tmp_path / "compiled" / "visits"

    def is_free() -> bool:
        with (folder / "turn").open() as lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                return False
            return True

    search = first_in_turn(is_free, folder)
    assert [search(), search()] == [False, True]
    assert is_free()
    assert first_in_turn(lambda given: given + 1, None)(41) == 42


def test_one_of_two_processes_compiles_and_both_say_why_it_takes_long(tmp_path: Path) -> None:
    bare = dict.fromkeys(("HOME", "XDG_CACHE_HOME", "NUMBA_CACHE_DIR"))  # nor is there a home
    visits = tmp_path / "compiled" / f"kernel-{source_hash()}" / "visits-0"
    visits.mkdir(parents=True)
    (visits / "visit_search._search-1.nbi").touch()  # kept there, too, and no route search

    def said(_: int) -> str:
        return in_another_process(ANNOUNCE.format(folder=tmp_path / "compiled"), **bare)

    with ThreadPoolExecutor(2) as both:
        at_once = sorted(both.map(said, range(2)))
    assert at_once == [f"{COMPILING}\n0 compiled\n", f"{COMPILING}\n1 compiled\n"]
    assert said(2) == "0 compiled\n"
