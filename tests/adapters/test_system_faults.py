"""What the system means by a fault."""

from __future__ import annotations

import errno
import os

import pytest

from adapters.system_faults import of_a_write


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
