"""One frame of a bridge's source, for the commands that read once."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

from adapters.commands.until_stopped import run_until_stopped
from adapters.commands.wiring import declared_order, make_source
from bridge.heap import Heap
from bridge.plan import Plan, memory_map, with_heap
from bridge.readings import Frame
from bridge.sampler import Sampler
from bridge.source import Source
from schemas.errors import SourceError, SourceLost, SourceUnusable
from schemas.loader import Bridge
from schemas.source_settings import FileSource


def with_dump(bridge: Bridge, dump: Path | None) -> Bridge:
    """The bridge with its source replaced by a dump, where one is given."""
    if dump is None:
        return bridge
    named = bridge.file.source
    path = str(dump.absolute())
    if isinstance(named, FileSource):
        source = named.model_copy(update={"path": path})
    else:
        source = FileSource(kind="file", path=path, byte_order=named.byte_order)
    file = bridge.file.model_copy(update={"source": source})
    return Bridge(file, bridge.text, bridge.schema)


def take_frame(bridge: Bridge, plans: Mapping[str, Plan], wait: float) -> Frame:
    """The first frame with a known build, waited for at most *wait* seconds.

    Raises SourceError and its leaves.
    """
    source = make_source(bridge.file.source, bridge.path.parent, plans)
    return run_until_stopped(_take(bridge, plans, source, wait, lambda frame: True))


def take_heap(bridge: Bridge, plans: Mapping[str, Plan], wait: float) -> tuple[Frame, Heap]:
    """The first frame with a known build that has the heap, and the heap in it.

    A sender may take a few frames to send all of it; what has come after *wait* seconds is given.
    Raises SourceError and its leaves, and SchemaError where the schema describes no heap.
    """
    asking = {name: with_heap(plan) for name, plan in plans.items()}
    source = make_source(bridge.file.source, bridge.path.parent, asking)
    frame = run_until_stopped(_take(bridge, asking, source, wait, _has_heap))
    assert frame.heap is not None
    return frame, frame.heap


def _has_heap(frame: Frame) -> bool:
    return frame.heap is not None and not frame.heap.awaited


async def _take(
    bridge: Bridge,
    plans: Mapping[str, Plan],
    source: Source,
    wait: float,
    enough: Callable[[Frame], bool],
) -> Frame:
    reason = "gave no frame"
    best: Frame | None = None
    try:
        async with asyncio.timeout(wait):
            memory = await source.open(memory_map(bridge.schema))
            sampler = Sampler(
                source,
                plans,
                memory,
                declared=declared_order(bridge.file.source),
                rate=bridge.file.sampling.rate,
            )
            while True:
                frame = await sampler.next()
                if sampler.plan is not None and sampler.stats.frames:
                    best = frame
                    if enough(frame) or str(source.consistency) == "still":
                        return frame
                reason = frame.note
                if str(source.consistency) == "still":
                    raise SourceUnusable(reason, source=source.name)
    except SourceError:
        if best is None:
            raise
        return best
    except TimeoutError:
        if best is not None:
            return best
        raise SourceLost(f"{reason} within {wait:g} s", source=source.name) from None
    except asyncio.CancelledError:
        source.notes.clear()  # whoever has stopped it need not be told what it was doing
        raise
    finally:
        for note in source.notes:
            print(f"lowhalf: {source.name}: {note}", file=sys.stderr)
        await source.close()
