"""The words for a fault of the system are the same everywhere, as far as there are any."""

from __future__ import annotations

import asyncio
import errno
import os
import socket
from pathlib import Path

import pytest

from schemas.system_words import system_words
from tests.systems import WINDOWS


def test_words_around_the_systems_are_left_out() -> None:
    """``socket.create_server`` names the address that it was to take."""
    with socket.create_server(("127.0.0.1", 0)) as taken, pytest.raises(OSError) as caught:
        socket.create_server(taken.getsockname())
    said = system_words(caught.value)
    assert "127.0.0.1" in str(caught.value)
    assert "127.0.0.1" not in said
    assert said == "Address already in use"


async def test_a_refused_connection() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    with pytest.raises(ConnectionRefusedError) as caught:
        await asyncio.get_running_loop().create_connection(asyncio.Protocol, "127.0.0.1", port)
    assert str(port) in str(caught.value)
    assert system_words(caught.value) == "Connection refused"


def test_a_fault_without_a_number_has_no_words() -> None:
    assert system_words(TimeoutError()) == ""
    assert system_words(OSError("made up")) == ""


def test_files_that_cannot_be_opened(tmp_path: Path) -> None:
    """POSIX's words (strerror) for ENOENT, EISDIR and EEXIST, also where the system says others."""
    (tmp_path / "there").write_bytes(b"")
    for path, mode, words in (
        (tmp_path / "none", "rb", "No such file or directory"),
        (tmp_path / "none" / "deeper", "wb", "No such file or directory"),
        (tmp_path, "rb", "Is a directory"),
        (tmp_path, "wb", "Is a directory"),
        (tmp_path / "there", "xb", "File exists"),
    ):
        with pytest.raises(OSError) as caught:
            path.open(mode)
        assert system_words(caught.value) == words
    with pytest.raises(FileNotFoundError) as absent:
        (tmp_path / "none").stat()
    assert system_words(absent.value) == "No such file or directory"


@pytest.mark.skipif(not WINDOWS, reason="Windows' numbers are Windows'")
def test_a_number_that_the_c_library_does_not_know_is_told_in_windows_words() -> None:
    """1450 is ERROR_NO_SYSTEM_RESOURCES (Microsoft's reference), of which Python makes EINVAL."""
    fault = OSError(0, "made up", None, 1450)
    assert fault.errno == errno.EINVAL
    assert system_words(fault) not in ("", "made up", os.strerror(errno.EINVAL))
