"""How kernel functions become machine code, and where that code is kept.

Compiling takes some seconds, once: the machine code of the entry function (with everything it
calls) is stored in a cache folder.  numba notices an edit only in the file of the function it
caches, so the folder is named after a hash of all kernel sources.
"""

import hashlib
import os
import platform
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, cast

import numba
import numba.core.config
from numba.core.options import DefaultOptions
from numba.extending import register_jitable

Function = TypeVar("Function", bound=Callable[..., Any])

# Without reference counting the kernel runs several times faster.  The option is private, so its
# absence is not an error.  A function compiled this way must never allocate or return an array.
_OPTIONS: dict[str, Any] = {"_nrt": False} if hasattr(DefaultOptions, "_nrt") else {}

_config: Any = numba.core.config  # its names are made from the environment when it is imported

# The third level of optimising took a tenth longer to compile and gave no faster search.
_config.OPT = type(_config.OPT)(os.environ.get("NUMBA_OPT", "2"))

UNUSED_SECONDS = 21 * 24 * 60 * 60
"""After this long without use, machine code of another version is deleted."""

JIT_DISABLED = bool(_config.DISABLE_JIT)


def compiled(function: Function) -> Function:
    """A function that is compiled as part of the entry function that calls it.

    Called from Python it runs as Python: code by which Python could call the machine code of each
    function would take a third of the time of compiling.
    """
    make: Callable[[Function], Function] = register_jitable(no_cfunc_wrapper=True, **_OPTIONS)
    return make(function)


def inlined(function: Function) -> Function:
    """A function that becomes part of each compiled function that calls it.

    For what is called all the time: handing over the arrays of the search costs more than the
    work, and left to itself the compiler gives up on inlining once the callers grow long. What it
    calls in its turn may become part of them as well.
    """
    options = {"forceinline": True, "no_cfunc_wrapper": True, **_OPTIONS}
    make: Callable[[Function], Function] = register_jitable(**options)
    return make(function)


def compiled_entry(function: Function, cache_folder: Path | None) -> Function:
    """Compile a function for calls from Python and keep its code in `cache_folder`, if any.

    It lets other threads run meanwhile.
    """
    keep = cache_folder is not None and not JIT_DISABLED
    folder_before = _config.CACHE_DIR
    if keep:
        _config.CACHE_DIR = str(cache_folder)
    try:
        return cast(Function, numba.njit(cache=keep, nogil=True, **_OPTIONS)(function))
    finally:
        _config.CACHE_DIR = folder_before


def source_hash() -> str:
    """Twelve hex digits that change with the kernel's sources, numba, Python, machine or checks."""
    digest = hashlib.sha256()
    for file in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(file.read_bytes())
    surroundings = (
        numba.__version__,
        platform.python_version(),
        platform.machine(),
        _config.BOUNDSCHECK,
    )
    digest.update(repr(surroundings).encode())
    return digest.hexdigest()[:12]


def usable_folder(wished: Path | None) -> Path | None:
    """The folder for this version of the kernel, made if need be; None when nowhere is writable.

    Tried in turn: `wished`, the environment's NUMBA_CACHE_DIR, the user's cache folder. Folders of
    other versions beside it that nobody used for three weeks are deleted.
    """
    candidates = [wished] if wished is not None else []
    if "NUMBA_CACHE_DIR" in os.environ:
        candidates.append(Path(os.environ["NUMBA_CACHE_DIR"]))
    if "XDG_CACHE_HOME" in os.environ:
        candidates.append(Path(os.environ["XDG_CACHE_HOME"]) / "steamround")
    elif "HOME" in os.environ:
        candidates.append(Path(os.environ["HOME"]) / ".cache" / "steamround")
    for candidate in candidates:
        folder = candidate / f"kernel-{source_hash()}"
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError:
            continue
        if os.access(folder, os.W_OK):
            os.utime(folder)  # its age tells when it was last used
            remove_unused(folder)
            return folder
    return None


def remove_unused(current: Path) -> None:
    """Delete the folders of other versions beside the current one that nobody used for long.

    A process that runs an old version needs its folder only while it starts.
    """
    oldest_kept = current.stat().st_mtime - UNUSED_SECONDS
    for folder in current.parent.glob("kernel-*"):
        try:
            unused = folder != current and folder.stat().st_mtime < oldest_kept
        except FileNotFoundError:  # another process was quicker
            continue
        if unused:
            shutil.rmtree(folder, ignore_errors=True)
