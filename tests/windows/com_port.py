"""A COM port of Wine's at one end of a cable, and at the other a TCP port for a console's kit."""

from __future__ import annotations

import contextlib
import itertools
import os
import select
import socket
import threading
from pathlib import Path
from types import TracebackType

__all__ = ["ComPort"]

_NUMBERS = itertools.count(20 + os.getpid() % 200 * 4)
"""Several processes may test with one rig."""


class ComPort:
    """``name`` is what Windows calls it, and ``port`` where what is sent comes out of it."""

    def __init__(self, rig: Path, number: int | None = None) -> None:
        self.name = f"COM{next(_NUMBERS) if number is None else number}"
        self._link = rig / "prefix" / "dosdevices" / self.name.lower()
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listening.getsockname()[1]
        self._thread: threading.Thread | None = None
        self.plug()

    def plug(self) -> None:
        """Connect the cable."""
        import pty  # not on Windows, where no test asks for Wine
        import tty

        ours, theirs = pty.openpty()
        tty.setraw(theirs)
        self._link.unlink(missing_ok=True)
        self._link.symlink_to(os.ttyname(theirs))
        self._ended, self._end = os.pipe()
        self._thread = threading.Thread(target=self._carry, args=(ours, theirs), daemon=True)
        self._thread.start()

    def unplug(self) -> None:
        """Take the cable away; harmless the second time."""
        if self._thread is not None:
            os.close(self._end)
            self._thread.join(20)
            os.close(self._ended)
            self._link.unlink(missing_ok=True)
            self._thread = None

    def _carry(self, ours: int, theirs: int) -> None:
        """Bytes from one to the other, whoever is connected to the TCP port."""
        connection: socket.socket | None = None
        try:
            while True:
                places: list[int | socket.socket] = [self._ended, self._listening, ours]
                if connection is not None:
                    places.append(connection)
                ready = select.select(places, [], [])[0]
                if self._ended in ready:
                    return
                if self._listening in ready:
                    connection = self._listening.accept()[0]
                if ours in ready:
                    data = os.read(ours, 4096)
                    if connection is not None:
                        with contextlib.suppress(OSError):
                            connection.sendall(data)
                if connection is not None and connection in ready:
                    data = connection.recv(4096)
                    if data:
                        os.write(ours, data)
                    else:
                        connection.close()
                        connection = None
        finally:
            if connection is not None:
                connection.close()
            os.close(ours)
            os.close(theirs)

    def __enter__(self) -> ComPort:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.unplug()
        self._listening.close()
