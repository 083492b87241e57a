"""Commands as processes of their own, begun by a copy of one that has everything imported already.

Most of what a short command takes is the interpreter's start and the imports.  Here one process a
test run imports them once and forks for each command: the child has the arguments, the folder, the
environment and the three streams that it is given, Python's own answers to signals, and ends as
the interpreter does.  What is special about a start, as a signal that comes while modules are
imported, needs a real one: ``cold_start``.
"""

from __future__ import annotations

import atexit
import contextlib
import json
import os
import select
import signal
import socket
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
COLD_START = "from adapters.commands.main import main; raise SystemExit(main())"
_SERVER = (
    "import sys; from tests.commands.warm_start import serve; serve(int(sys.argv[1])); "
    + COLD_START
)
_STARTERS = ("PYTHON", "LC_", "LANG")
"""What an interpreter obeys when it starts, and a copy of one no longer."""


class WarmProcess:
    """A command that runs, with the part of ``subprocess.Popen`` that tests use."""

    def __init__(self, pid: int, ended: int, arguments: Sequence[str]) -> None:
        self.pid = pid
        self.args = list(arguments)
        self.returncode: int | None = None
        self._ended = ended

    def poll(self) -> int | None:
        return self._look(0)

    def wait(self, timeout: float | None = None) -> int:
        code = self._look(timeout)
        if code is None:
            raise subprocess.TimeoutExpired(self.args, timeout or 0)
        return code

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.pid, number)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)

    def terminate(self) -> None:
        self.send_signal(signal.SIGTERM)

    def _look(self, seconds: float | None) -> int | None:
        if self.returncode is None:
            if not select.select([self._ended], [], [], seconds)[0]:
                return None
            told = os.read(self._ended, 32)
            os.close(self._ended)
            assert told, "the process that starts commands is gone"
            self.returncode = int(told)
        return self.returncode


class _Starter:
    """The process with everything imported, from the side of the tests."""

    def __init__(self) -> None:
        self._socket, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, "-c", _SERVER, str(theirs.fileno())],
                pass_fds=[theirs.fileno()],
                env={**os.environ, "PYTHONPATH": str(ROOT)},
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                start_new_session=True,
            )
        atexit.register(self.close)

    def start(
        self,
        arguments: Sequence[str],
        environment: Mapping[str, str],
        streams: Sequence[int | None],
    ) -> WarmProcess:
        ended, end = os.pipe()
        there = [place for place, stream in enumerate(streams) if stream is not None]
        try:
            order = json.dumps([list(arguments), str(Path.cwd()), dict(environment), there])
            given = [stream for stream in streams if stream is not None]
            socket.send_fds(self._socket, [order.encode()], [*given, end])
        finally:
            os.close(end)
        return WarmProcess(int(self._socket.recv(32)), ended, arguments)

    def close(self) -> None:
        self._socket.close()
        self._process.wait(10)


_starter: _Starter | None = None


def can_start(environment: Mapping[str, str]) -> bool:
    """Whether a copy does what a start would: not where the interpreter is told something else."""
    told = {name: value for name, value in environment.items() if name.startswith(_STARTERS)}
    own = {name: value for name, value in os.environ.items() if name.startswith(_STARTERS)}
    for name in ("PYTHONPATH", "PYTHONIOENCODING"):  # the one of the tests, and obeyed
        told.pop(name, None)
        own.pop(name, None)
    return hasattr(os, "fork") and told == own


def start(
    arguments: Sequence[str], environment: Mapping[str, str], streams: Sequence[int | None]
) -> WarmProcess:
    """Begin ``lowhalf`` with *arguments*; *streams* are the descriptors of its 0, 1 and 2, None
    for one that is closed."""
    global _starter
    if _starter is None:
        _starter = _Starter()
    return _starter.start(arguments, environment, streams)


# The other side.


def serve(number: int) -> None:
    """Fork for each order; returns in each child, which then is the command.

    Once the tests are gone it ends, and with it what still runs.
    """
    _import_all()
    wake, woken = os.pipe()
    for end in (wake, woken):
        os.set_blocking(end, False)
    signal.set_wakeup_fd(woken)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    running: dict[int, int] = {}
    orders = socket.socket(fileno=number)
    both: list[Any] = [orders, wake]
    while True:
        readable, _, _ = select.select(both, [], [])
        if wake in readable:
            with contextlib.suppress(BlockingIOError):
                os.read(wake, 4096)
            _reap(running)
        if orders in readable:
            order, descriptors, _, _ = socket.recv_fds(orders, 1 << 20, 4)
            if not order:
                for pid in running:
                    os.kill(pid, signal.SIGKILL)
                os._exit(0)
            pid = os.fork()
            if pid == 0:
                _become(json.loads(order), descriptors, [wake, woken, number, *running.values()])
                orders.detach()
                return
            running[pid] = descriptors.pop()
            for descriptor in descriptors:
                os.close(descriptor)
            orders.send(str(pid).encode())


def _import_all() -> None:
    import gc
    import importlib
    import pkgutil

    import adapters

    for module in pkgutil.walk_packages(adapters.__path__, "adapters."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)
    gc.freeze()


def _reap(running: dict[int, int]) -> None:
    while running:
        pid, status = os.waitpid(-1, os.WNOHANG)
        if pid == 0:
            return
        end = running.pop(pid)
        os.write(end, str(os.waitstatus_to_exitcode(status)).encode())
        os.close(end)


def _become(order: list[Any], descriptors: Sequence[int], others: Sequence[int]) -> None:
    arguments, folder, environment, there = order
    signal.set_wakeup_fd(-1)
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    for place, descriptor in zip(there, descriptors, strict=False):
        os.dup2(descriptor, place)
    for descriptor in (*descriptors, *others):
        os.close(descriptor)
    os.chdir(folder)
    os.environ.clear()
    os.environ.update(environment)
    sys.argv[:] = ["lowhalf", *arguments]
    encoding = environment.get("PYTHONIOENCODING")
    for name, place, mode, buffering, errors in (
        ("stdin", 0, "r", -1, None),
        ("stdout", 1, "w", -1, None),
        ("stderr", 2, "w", 1, "backslashreplace"),
    ):
        stream = None  # as the interpreter does it when it starts
        if place in there:
            stream = os.fdopen(place, mode, buffering, encoding, errors, closefd=False)
        else:
            os.close(place)
        setattr(sys, name, stream)
        setattr(sys, f"__{name}__", stream)
