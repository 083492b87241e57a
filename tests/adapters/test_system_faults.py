"""The words for a fault are the system's, not those of what was between."""

from __future__ import annotations

import asyncio
import errno
import os
import socket
import sys

import pytest

from adapters.system_faults import of_a_write, system_words


def test_words_around_the_systems_are_left_out() -> None:
    """``socket.create_server`` names the address that it was to take."""
    with socket.create_server(("127.0.0.1", 0)) as taken, pytest.raises(OSError) as caught:
        socket.create_server(taken.getsockname())
    said = system_words(caught.value)
    assert "127.0.0.1" in str(caught.value)
    assert "127.0.0.1" not in said
    if sys.platform != "win32":
        assert said == os.strerror(errno.EADDRINUSE)


async def test_a_refused_connection() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    with pytest.raises(ConnectionRefusedError) as caught:
        await asyncio.get_running_loop().create_connection(asyncio.Protocol, "127.0.0.1", port)
    assert "refused" in system_words(caught.value)
    assert str(port) not in system_words(caught.value)


def test_a_fault_without_a_number_has_no_words() -> None:
    assert system_words(TimeoutError()) == ""
    assert system_words(OSError("made up")) == ""


def test_a_pipe_that_nobody_reads() -> None:
    """That Windows says EINVAL is known as issue 35754 of CPython."""
    gone = of_a_write(OSError(errno.EINVAL, "made up"), windows=True)
    assert isinstance(gone, BrokenPipeError)
    assert gone.errno == errno.EPIPE
    for fault, windows in (
        (OSError(errno.EINVAL, "made up"), False),
        (OSError(errno.ENOSPC, "made up"), True),
        (BrokenPipeError(errno.EPIPE, "made up"), True),
    ):
        assert of_a_write(fault, windows=windows) is fault


def test_a_real_pipe_that_nobody_reads() -> None:
    far, near = os.pipe()
    os.close(far)
    with open(near, "wb", buffering=0) as stream, pytest.raises(OSError) as caught:
        stream.write(b"lantern")
    assert isinstance(of_a_write(caught.value), BrokenPipeError)
