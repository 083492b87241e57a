"""``lowhalf`` that is interrupted, as Ctrl-C does it, once its standard input ends.

So it ends in order.  Wine's server never sleeps again once a program was killed while it waited
for sockets, which makes all that runs there slower.
"""

from __future__ import annotations

import importlib
import os
import signal
import sys
import threading

from adapters.commands.main import main


def _wait() -> None:
    while os.read(0, 1):
        pass
    signal.raise_signal(signal.SIGINT)


if __name__ == "__main__":
    if "record" in sys.argv:
        # a library that is loaded asks what the standard streams are, and waits there for a thread
        # that reads one
        importlib.import_module("adapters.recordings.changed_lines")
    threading.Thread(target=_wait, daemon=True).start()
    raise SystemExit(main())
