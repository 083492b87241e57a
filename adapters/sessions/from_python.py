"""What programs in Python do with lowhalf: read a frame, follow frames, evaluate an expression.

``lowhalf/__init__.py`` offers these to users.  Nothing is printed and no signal is handled here:
what a source has to say beside its frames goes to the log ``lowhalf``.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
from collections.abc import AsyncGenerator, Coroutine, Iterable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, TypeVar

from adapters.functions import installed_functions
from adapters.sessions import bridge_file
from adapters.sessions.added_watches import with_watches
from adapters.sessions.following import every_frame, followed
from adapters.sessions.one_frame import take_frame, with_dump
from bridge.ports.source import Source
from bridge.prepared import prepare
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading
from schemas import compiler
from schemas.bridge_file import BridgeFile
from schemas.compiler import Schema
from schemas.errors import BridgeFileError, LowhalfError
from schemas.loader import Bridge
from schemas.source_settings import FileSource, RecordingSource
from schemas.toml_file import TomlText

__all__ = ["AnyPath", "evaluate", "frames", "load_bridge", "load_schema", "read"]

T = TypeVar("T")
AnyPath = str | os.PathLike[str]
"""A path, as text or as an object."""

_log = logging.getLogger("lowhalf")


def load_schema(path: AnyPath) -> Schema:
    """Read and check a schema file (``NAME.schema.toml``).

    Raises SchemaError with the file, the key and the line.
    """
    return compiler.load_schema(Path(path))


def load_bridge(path: AnyPath) -> Bridge:
    """Read and check a bridge file (``NAME.bridge.toml``), its schema and the layouts it names.

    Raises BridgeFileError, SchemaError and LayoutFileError with the file, the key and the line, and
    ExtensionError for a kind of source or output that another package adds.  What is wrong with an
    expression is found when the bridge is used.
    """
    return bridge_file.load_bridge(Path(path))


def read(
    bridge: Bridge,
    dump: AnyPath | None = None,
    *,
    watches: Iterable[str] = (),
    frame: int | None = None,
    wait: float = 10.0,
) -> Frame:
    """One frame: of *dump*, a dump or a recording, or else of the source that the bridge names.

    *watches* are expressions to evaluate beside the bridge file's own; each is the name of its
    reading.  *frame* is the game's own number of a frame of a recording: functions over frames have
    then seen all frames before it.  A live source is waited for at most *wait* seconds.

    An event loop that runs already, as in a notebook, stands still meanwhile.

    Raises SourceError and its leaves, ExpressionError, BridgeFileError, SchemaError.
    """
    bridge = _asked(bridge, dump, watches)
    recorded = isinstance(bridge.file.source, RecordingSource)
    if frame is not None and not recorded:
        raise LowhalfError(f"frame {frame} was asked for, but only recordings have numbered frames")
    prepared_builds = prepare(bridge, installed_functions())
    return _run(take_frame(bridge, prepared_builds, wait, frame, tell=_log.warning))


async def frames(
    bridge: Bridge,
    dump: AnyPath | None = None,
    *,
    watches: Iterable[str] = (),
    source: Source | None = None,
) -> AsyncGenerator[Frame, None]:
    """The frames of *dump*, of *source*, or else of the source that the bridge names, as they come.

    A recording gives every frame once, as fast as they are asked for, and then ends; a dump gives
    one.  A live source gives a frame as soon as there is one that is newer than the last: what a
    slow program misses is counted in ``frame.stats.skipped``.  Steps and attempts are followed
    (``frame.practice``) and kept nowhere, and a plan is (``frame.plan``), without new ones.  The
    source is closed when the iterator is.

    Raises SourceLost where a live source goes away; a new call opens it again, with functions over
    frames begun anew.  Raises the other leaves of SourceError, ExpressionError, BridgeFileError and
    SchemaError as well.
    """
    if dump is not None and source is not None:
        raise ValueError("dump and source are both given: frames come from one of them")
    bridge = _asked(bridge, dump, watches)
    prepared_builds = prepare(bridge, installed_functions())
    source = source or every_frame(bridge, prepared_builds)
    coming = followed(bridge, prepared_builds, source, tell=_log.warning)
    async with contextlib.aclosing(coming):  # whoever leaves early leaves both
        async for frame in coming:
            yield frame


def evaluate(known: Bridge | Schema, dump: AnyPath, expression: str) -> Reading:
    """What an expression gives in a dump, or in the first frame of a recording.

    *known* is what is known of the game: a schema, or a bridge whose watches the expression may use
    and whose settings say how the dump is to be read.

    Raises SourceError and its leaves, ExpressionError, BridgeFileError, SchemaError.
    """
    bridge = known if isinstance(known, Bridge) else _bridge_of(known, dump)
    return read(bridge, dump, watches=[expression])[expression]


def _asked(bridge: Bridge, dump: AnyPath | None, watches: Iterable[str]) -> Bridge:
    bridge = with_dump(bridge, None if dump is None else Path(dump))
    return with_watches(bridge, watches, installed_functions())


def _bridge_of(schema: Schema, dump: AnyPath) -> Bridge:
    """A bridge without a file: all is as it is where nothing is said."""
    source = FileSource(kind="file", path=os.fspath(dump))
    file = BridgeFile(schema=schema.path.name, source=source)
    return Bridge(file, TomlText(schema.path, "", BridgeFileError), schema)


def _run(work: Coroutine[Any, Any, T]) -> T:
    """Run *work* to its end, in a loop of its own."""
    try:
        asyncio.get_running_loop()
    except RuntimeError:
        return asyncio.run(work)
    # a thread has but one loop
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(asyncio.run, work).result()
