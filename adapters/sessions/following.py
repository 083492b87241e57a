"""Every frame of a source, one after the other, evaluated as the daemon would."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator, Callable, Mapping

from adapters.sessions.followed_plan import make_plan_tracker
from adapters.sessions.setup import sampling_setup
from adapters.sources.catalogue import make_source
from bridge.ports.source import Cadence, Source
from bridge.prepared import PreparedBuild
from bridge.readings.frame import Frame
from bridge.sampling.continuity import Continuity
from bridge.sampling.practice_tracker import PracticeTracker, Rules
from bridge.sampling.sampler import Sampler
from schemas.errors import SourceEnded, SourceUnusable
from schemas.loader import Bridge
from schemas.source_settings import RecordingSource

__all__ = ["every_frame", "followed"]


def every_frame(bridge: Bridge, prepared_builds: Mapping[str, PreparedBuild]) -> Source:
    """The bridge's source; a recording without its clock and once, so that no frame is missed."""
    named = bridge.file.source
    if isinstance(named, RecordingSource):
        named = named.model_copy(update={"pace": "all", "repeat": False})
    return make_source(named, bridge.path.parent, prepared_builds)


async def followed(
    bridge: Bridge,
    prepared_builds: Mapping[str, PreparedBuild],
    source: Source,
    *,
    tell: Callable[[str], None],
) -> AsyncGenerator[Frame, None]:
    """The frames of *source* as they come, until it ends; it is closed when the iterator is.

    Steps and attempts are followed and kept nowhere.  *tell* is told what the source notes, and why
    no frame comes.  Raises SourceError and its leaves.
    """
    rules = Rules.of(bridge.file)
    sampler: Sampler | None = None
    note = ""

    def tell_notes() -> None:
        for each in source.take_notes():
            tell(f"{source.name}: {each}")

    try:
        setup = sampling_setup(bridge, prepared_builds)
        practising = PracticeTracker(rules) if rules.steps or rules.attempts else None
        plan = make_plan_tracker(bridge, prepared_builds)
        continuity = Continuity(setup.clock, practising=practising, plan=plan)
        sampler = await Sampler.open(source, setup, continuity)
        while True:
            taken = sampler.stats.frames
            frame = await sampler.next()
            if frame.note not in ("", note):
                tell(f"{source.name}: {frame.note}")
            note = frame.note
            tell_notes()
            if sampler.prepared is not None and sampler.stats.frames > taken:
                yield frame
            if source.cadence is Cadence.ONCE:
                break
            await asyncio.sleep(0)  # a recording at hand would else leave nobody a turn
    except SourceEnded:
        """All has been given."""
    finally:
        tell_notes()
        await source.close()
    if sampler is None or not sampler.stats.frames:
        raise SourceUnusable(note or "gave no frame", source=source.name)
