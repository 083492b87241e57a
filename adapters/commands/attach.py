"""``lowhalf attach``: finds a running emulator's RAM, and writes a starting bridge file."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
from collections import Counter as Tally
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from adapters.commands.attaching.bridge import Attached, bridge_text
from adapters.commands.attaching.counting import unsigned_symbols, watch_counters
from adapters.commands.attaching.places import Search, own_processes, search
from adapters.commands.console.telling import tell
from adapters.commands.console.until_stopped import run_until_stopped
from adapters.sources.catalogue import make_source
from adapters.sources.process import find_ram
from adapters.sources.process.find_ram import Copy
from bridge.builds.evidence import evidence_spans, identities
from bridge.expressions.compiling import check
from bridge.memory.address_map import MemoryMap, Region
from bridge.memory.byte_order import ByteOrder
from bridge.ports.guest_reader import GuestReader
from bridge.ports.source import Opened, Source
from bridge.prepared import PreparedBuild, memory_map
from schemas.compiler import Schema, load_schema
from schemas.errors import LowhalfError, SourceError, SourceUnusable
from schemas.existing import exists
from schemas.source_settings import AnySource, DebuggerSource, ProcessSource, SharedSource
from schemas.system_words import system_words

__all__ = ["MAX_PLACES", "OPEN_FOR", "add_arguments", "run"]

MAX_PLACES = 32
OPEN_FOR = 10.0


@dataclass(frozen=True, slots=True)
class _Place:
    """Where RAM may be: settings that read it, in words, how many bytes were recognised there, and
    whether RAM is likely to begin there."""

    settings: AnySource
    where: str
    known_bytes: int = find_ram.FEWEST_BYTES
    likely: bool = True


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("schema", type=Path, metavar="SCHEMA.toml", help="the game's schema file")
    parser.add_argument(
        "--debugger", metavar="HOST:PORT", help="also try the debugger stub that listens here"
    )
    parser.add_argument(
        "--process", default="", metavar="NAME-OR-PID", help="look at this program only"
    )
    parser.add_argument(
        "--write", type=Path, metavar="FILE", help="write the bridge file here, not to the screen"
    )
    parser.add_argument("--force", action="store_true", help="replace FILE if it is there")
    parser.epilog = (
        "opens everything for reading only; what was found is told on standard error, "
        "exit code 3 when nothing was"
    )


def run(arguments: argparse.Namespace) -> int:
    schema = load_schema(arguments.schema)
    target: Path | None = arguments.write
    if target is not None and exists(target) and not arguments.force:
        raise LowhalfError(f"{target} is there already; --force replaces it")
    found, tried = run_until_stopped(_look(schema, arguments.debugger, arguments.process))
    for place in found:
        tell(place.evidence(), "found: ")
    if not found:
        for line in tried:
            tell(line, "tried: ")
        builds = ", ".join(schema.builds)
        tell(f"nothing here holds the RAM of a build ({builds})")
        return 3
    best = _best(found)
    directory = target.parent if target is not None else Path.cwd()
    text = bridge_text(schema, best, directory)
    if target is None:
        print(text, end="")
    else:
        _write(target, text, replace=arguments.force)
        tell(f"{target}; try: lowhalf run {target}", "written: ")
    return 0


def _best(found: Sequence[Attached]) -> Attached:
    """The one place to use.  Raises SourceUnusable where several are as good.

    A debugger's stub may well show the same guest as one of the others, and costs it time.
    """
    direct = [place for place in found if place.kind != "debugger"]
    if all(place.settings == direct[0].settings for place in direct[1:]):
        # places in one process: which of them it is, the source finds out at each start
        del direct[1:]
    if len(direct) > 1 and direct[0].lives:
        raise SourceUnusable(
            f"the counters of {len(direct)} places move: name the emulator with --process"
        )
    if len(direct) > 1:
        raise SourceUnusable(
            f"{len(direct)} places hold a known build and no counter moves: let the game run, "
            "so that its counter tells which one lives"
        )
    return (direct or found)[0]


def _write(target: Path, text: str, *, replace: bool) -> None:
    try:
        with target.open("w" if replace else "x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except FileExistsError as fault:
        raise LowhalfError(f"{target} is there already; --force replaces it") from fault
    except OSError as fault:
        raise LowhalfError(f"{target} cannot be written: {system_words(fault)}") from fault


async def _look(
    schema: Schema, debugger: str | None, process: str
) -> tuple[list[Attached], list[str]]:
    """Everything that holds a known build, and in words what was tried."""
    memory = memory_map(schema)
    prepared_builds = {
        name: PreparedBuild(layout, check(layout, {}), (), None, None)
        for name, layout in schema.builds.items()
    }
    places: list[_Place] = []
    region = _marked_region(prepared_builds, memory)
    if region is None:
        tried = ["shared files and processes: no build has recognise bytes to look for"]
    else:
        wanted = find_ram.signatures(prepared_builds, memory, region)
        result = await asyncio.to_thread(search, wanted, region, process)
        tried = result.tried
        known = {signature.build: signature.known for signature in wanted}
        places = _places(result, region, memory, known)
    if debugger is not None:
        settings = DebuggerSource(kind="debugger", address=debugger)
        places.insert(0, _Place(settings, f"debugger {debugger}"))
    else:
        tried.append("debugger: none was named; emulators with a stub take --debugger HOST:PORT")
    if len(places) > MAX_PLACES:
        tried.append(f"only the first {MAX_PLACES} of {len(places)} places were tried")
    looks = [_try(place, prepared_builds, memory) for place in places[:MAX_PLACES]]
    found: list[Attached] = []
    copies: list[str] = []
    for place, answer in zip(places, await asyncio.gather(*looks), strict=False):
        if isinstance(answer, str):
            tried.append(answer)
        elif answer.lives or place.likely:
            found.append(answer)
        else:
            copies.append(answer.where)
    if copies:
        tried.append(
            f"{len(copies)} copies of recognise bytes where no RAM is likely to begin, such as "
            f"{copies[0]}: no counter moves there; if the game is paused, let it run"
        )
    living = [place for place in found if place.lives]
    return living or found, tried


def _marked_region(
    prepared_builds: Mapping[str, PreparedBuild], memory: MemoryMap
) -> Region | None:
    """The first region in which a build has recognise bytes."""
    marked = (r for r in memory.regions if find_ram.signatures(prepared_builds, memory, r))
    return next(marked, None)


def _places(
    result: Search, region: Region, memory: MemoryMap, known: Mapping[str, int]
) -> list[_Place]:
    """Each place that was found, the likeliest first."""
    name = "" if region == memory.regions[0] else region.name
    places: list[_Place] = []
    for path, copy in result.files:
        shared = SharedSource(kind="shared", path=path.as_posix(), region=name, offset=copy.address)
        where = f"file {path} at offset 0x{copy.address:X}"
        places.append(_Place(shared, where, known[copy.build], _begins_page(copy)))
    for process, copy in sorted(result.processes, key=lambda found: found[1].area.size):
        settings = ProcessSource(kind="process", pid=process.pid, region=name, address=copy.address)
        where = f"process {process.name} ({process.pid}) at 0x{copy.address:X}"
        places.append(_Place(settings, where, known[copy.build], _begins_page(copy)))
    places.sort(key=lambda place: not place.likely)
    return places


def _begins_page(copy: Copy) -> bool:
    """Whether a copy lies as RAM does: at a page's begin, or 16 bytes on, where malloc gave it.

    Copies of a text, such as those of the schema itself in an editor, lie anywhere.
    """
    return copy.address % 0x1000 in (0, 16)


async def _try(
    place: _Place, prepared_builds: Mapping[str, PreparedBuild], memory: MemoryMap
) -> Attached | str:
    """Read a place through the source that a bridge file would name; in words why not."""
    source = make_source(place.settings, Path.cwd(), prepared_builds)
    try:
        async with asyncio.timeout(OPEN_FOR):
            opened = await source.open(memory)
            return await _measure(source, place, prepared_builds, opened)
    except SourceError as fault:
        return str(fault)
    except TimeoutError:
        return f"{place.where}: no answer in {OPEN_FOR:g} s"
    finally:
        with contextlib.suppress(SourceError):
            await source.close()


async def _measure(
    source: Source, place: _Place, prepared_builds: Mapping[str, PreparedBuild], opened: Opened
) -> Attached | str:
    where, held = place.where, opened.memory
    layouts = [prepared.layout for prepared in prepared_builds.values()]
    marks = evidence_spans(layouts, held)
    async with source.held_still():
        as_held = GuestReader(source, opened, ByteOrder.BIG)
        found = dict(zip(marks, await as_held.fetch(marks), strict=True))
    matches = identities(layouts, held, found, list(ByteOrder))
    if not matches:
        return f"{where}: the recognise bytes of no build are there"
    builds = Tally(match.build for match in matches)
    if len(builds) > 1:
        return f"{where}: builds {' and '.join(builds)} are both recognised"
    match = matches[0]
    layout = prepared_builds[match.build].layout
    reader = GuestReader(source, opened, match.order)
    counting = await watch_counters(source, reader, unsigned_symbols(layout, held))
    if place.known_bytes < find_ram.FEWEST_BYTES and not counting:
        return (
            f"{where}: {place.known_bytes} recognise bytes, which are met by chance, and no "
            "counter moves"
        )
    mark = layout.evidence[0]
    return Attached(
        _settings_to_write(place.settings),
        where,
        match.build,
        f"{mark.shown} at 0x{mark.address:08X}",
        match.order,
        counting,
    )


def _settings_to_write(settings: AnySource) -> dict[str, str | int]:
    """What the bridge file says: a process by its name, since the rest changes with each start."""
    written = settings.model_dump(exclude_defaults=True)
    if isinstance(settings, ProcessSource):
        alike = own_processes("")
        name = next((each.name for each in alike if each.pid == settings.pid), "")
        written.pop("address", None)
        if name and sum(each.name == name for each in alike) == 1:
            written["name"] = name
            written.pop("pid", None)
    return {"kind": settings.kind, **written}
