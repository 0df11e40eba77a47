"""What C prints is dropped only while somebody wants it, what Python prints never."""

import ctypes
import os
from threading import Thread

import pytest

from scheduler.routing.c_output import c_output_dropped

C = ctypes.CDLL(None)


def say(text: str) -> None:
    C.puts(text.encode())
    C.fflush(None)


@pytest.mark.skipif(
    "CS_GNU_LIBC_VERSION" not in os.confstr_names,
    reason="only in the GNU C library may the stream be set",
)
def test_c_is_not_heard_until_the_last_has_done_without_it(
    capfd: pytest.CaptureFixture[str],
) -> None:
    say("before")
    first, second = c_output_dropped(), c_output_dropped()
    first.__enter__()
    second.__enter__()
    say("within both")
    other = Thread(target=print, args=["by Python"], kwargs={"flush": True})
    other.start()
    other.join()
    first.__exit__(None, None, None)
    say("within the second")
    second.__exit__(None, None, None)
    say("after")
    assert capfd.readouterr().out.splitlines() == ["before", "by Python", "after"]
