"""A file of expectations, looked at: each moment's frame is read once and held against them.

A recording is gone through once for all of its moments, so that functions over frames have seen all
frames before each.  What cannot be read fails all that is expected of it, with the reason.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from adapters.functions import installed_functions
from adapters.sessions.added_watches import with_watches
from adapters.sessions.bridge_file import load_bridge
from adapters.sessions.one_frame import Tell, take_frame, with_dump
from adapters.sessions.setup import sampling_setup
from bridge.prepared import PreparedBuild, prepare
from bridge.readings.frame import Frame
from bridge.sampling.continuity import Continuity
from bridge.sampling.sampler import Sampler
from bridge.values.value_type import Kind
from bridge.verifying.expectation import Expectation, Verdict, expectation, found_words
from schemas.errors import ExpressionError, SourceEnded, SourceError
from schemas.existing import is_file
from schemas.expect_file import Expectations, load_expectations
from schemas.loader import Bridge
from schemas.toml_file import nearest
from schemas.toml_lines import Key

__all__ = ["PreparedExpectations", "load_prepared", "moments_by_source", "verdicts"]

_WAIT = 10.0


@dataclass(frozen=True, slots=True)
class PreparedExpectations:
    """A file of expectations with its bridge, ready for each build.

    ``expected`` has, by build, what is expected of each moment; ``lines`` where that stands.
    """

    written: Expectations
    bridge: Bridge
    prepared_builds: Mapping[str, PreparedBuild]
    expected: Mapping[str, Sequence[Sequence[Expectation]]]
    lines: Sequence[Sequence[int]]


def load_prepared(path: Path) -> PreparedExpectations:
    """Read and check a file of expectations, with the bridge file that it names.

    Raises ExpectFileError, BridgeFileError, SchemaError and LayoutFileError with the line of the
    first fault, and ExtensionError.
    """
    written = load_expectations(path)
    bridge_path = path.parent / written.file.bridge
    if not is_file(bridge_path):
        raise written.error(("bridge",), f"there is no file {bridge_path}")
    bridge, functions = load_bridge(bridge_path), installed_functions()
    watches = {watch.name for watch in bridge.file.watches}
    asked: dict[str, tuple[Key, ...]] = {}
    for i, moment in enumerate(written.file.moments):
        if moment.first:
            asked.setdefault(moment.first, ("moments", i, "first"))
        for j, table in enumerate(moment.expect):
            place = ("moments", i, "expect", j, "watch" if table.watch else "expr")
            if table.watch and table.watch not in watches:
                hint = nearest(table.watch, watches)
                raise written.error(place, f"there is no watch {table.watch}{hint}")
            asked.setdefault(table.expression, place)
    prepare(bridge, functions)  # what is wrong with its own watches is its own fault
    try:
        bridge = with_watches(bridge, asked, functions)
    except ExpressionError as fault:
        caret = str(fault).partition("\n")[2]
        raise written.error(asked[fault.expression], f"{fault.detail}\n{caret}") from fault
    builds = prepare(bridge, functions)
    expected = {name: _expected(written, build) for name, build in builds.items()}
    return PreparedExpectations(written, bridge, builds, expected, written.lines())


def _expected(written: Expectations, build: PreparedBuild) -> list[list[Expectation]]:
    kinds = {watch.name: watch.type for watch in build.watches}
    found = []
    for i, moment in enumerate(written.file.moments):
        if moment.first and kinds[moment.first].kind is Kind.TEXT:
            raise written.error(("moments", i, "first"), "is a text, expected true or false")
        row = []
        for j, table in enumerate(moment.expect):
            try:
                row.append(expectation(table, kinds[table.expression]))
            except ValueError as fault:
                message = f"{table.expression}: {fault}"
                raise written.error(("moments", i, "expect", j), message) from fault
        found.append(row)
    return found


def moments_by_source(written: Expectations) -> list[list[int]]:
    """The numbers of the moments that are read together: of one dump, or of one recording."""
    groups: dict[tuple[str, str], list[int]] = {}
    for number, moment in enumerate(written.file.moments):
        groups.setdefault((moment.dump, moment.recording), []).append(number)
    return list(groups.values())


async def verdicts(
    prepared: PreparedExpectations, moments: Sequence[int], *, tell: Tell
) -> list[Verdict]:
    """What the expectations of some moments of one source came to, in the file's order.

    *tell* is told what the source notes.
    """
    first = prepared.written.file.moments[moments[0]]
    if first.dump:
        found = await _dump(prepared, first.dump, moments, tell)
    else:
        found = await _recording(prepared, first.recording, moments, tell)
    return [verdict for moment in moments for verdict in found[moment]]


async def _dump(
    prepared: PreparedExpectations, dump: str, moments: Sequence[int], tell: Tell
) -> dict[int, list[Verdict]]:
    try:
        bridge = with_dump(prepared.bridge, prepared.written.directory / dump)
        frame = await take_frame(bridge, prepared.prepared_builds, _WAIT, tell=tell)
    except SourceError as fault:
        return {moment: _unread(prepared, moment, str(fault)) for moment in moments}
    return {moment: _judged(prepared, moment, frame) for moment in moments}


async def _recording(
    prepared: PreparedExpectations, recording: str, moments: Sequence[int], tell: Tell
) -> dict[int, list[Verdict]]:
    from adapters.sources.recording.replay import RecordingReplay  # dumps need no reader

    tables = prepared.written.file.moments
    source = RecordingReplay(prepared.written.directory / recording)
    found: dict[int, list[Verdict]] = {}
    numbers: list[int] = []
    reason = "has ended"
    try:
        # a recording is in guest order, whatever the bridge file says of its own source
        setup = replace(sampling_setup(prepared.bridge, prepared.prepared_builds), declared=None)
        sampler = await Sampler.open(source, setup, Continuity(setup.clock))
        while len(found) < len(moments):
            taken = sampler.stats.frames
            frame = await sampler.next()
            await asyncio.sleep(0)  # else a signal would wait for the last frame
            if sampler.prepared is None or sampler.stats.frames == taken:
                reason = frame.note or reason
                continue
            numbers = [min([frame.number, *numbers]), frame.number]
            for moment in moments:
                if moment not in found and _is(tables[moment].frame, tables[moment].first, frame):
                    found[moment] = _judged(prepared, moment, frame)
    except SourceEnded:
        for moment in set(moments) - set(found):
            first = tables[moment].first
            what = (
                f"{first} is true in no frame" if first else f"has no frame {tables[moment].frame}"
            )
            held = f"it holds frames {numbers[0]} to {numbers[-1]}" if numbers else reason
            found[moment] = _unread(prepared, moment, f"{source.name}: {what}: {held}")
    except SourceError as fault:
        for moment in set(moments) - set(found):
            found[moment] = _unread(prepared, moment, str(fault))
    finally:
        for note in source.notes:
            tell(f"{source.name}: {note}")
        await source.close()
    return found


def _is(number: int | None, first: str, frame: Frame) -> bool:
    """Whether a frame is the one with a number, or one in which an expression is true."""
    if not first:
        return frame.number == number
    reading = frame[first]
    return reading.status.has_value and bool(reading.value)


def _judged(prepared: PreparedExpectations, moment: int, frame: Frame) -> list[Verdict]:
    name = prepared.written.file.moments[moment].name
    readings = {reading.watch.name: reading for reading in frame.readings}
    rows = zip(prepared.expected[frame.build][moment], prepared.lines[moment], strict=True)
    found = []
    for each, line in rows:
        reading = readings[each.expression]
        words = found_words(each, reading)
        path = (name, each.expression)
        found.append(Verdict(path, line, each.words, words, each.holds(reading)))
    return found


def _unread(prepared: PreparedExpectations, moment: int, reason: str) -> list[Verdict]:
    """The verdicts where there is no frame to look at."""
    name = prepared.written.file.moments[moment].name
    expected = next(iter(prepared.expected.values()))[moment]
    rows = zip(expected, prepared.lines[moment], strict=True)
    return [Verdict((name, e.expression), line, e.words, reason, False) for e, line in rows]
