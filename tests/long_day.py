"""A day of the daemon's life in virtual time, with everything around it coming and going.

One daemon, wired as ``lowhalf run`` wires it, with a scripted guest; its table on a terminal, its
pages and a real mosquitto on loopback, its attempts in a file.  The day has 1,440 minutes.  In
each there are two attempts and a move of the heap a frame; pages that read, stall, misbehave
and leave; questions; and every few minutes the source is lost, the game reset, the build another,
the broker killed or frozen.

How many frames a minute has is a parameter: 3,600 are all of a game at 60 a second.  With fewer the
events are the same, and the clock is put ahead by what is left out.  So it is where only one minute
in *every* is lived: the clock goes through a whole day all the same.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import json
import logging
import os
import pty
import random
import re
import struct
import sys
import threading
import time
import tracemalloc
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TextIO
from urllib.parse import quote

import aiohttp
import psutil

from adapters.commands.console.until_stopped import PassingThreads
from adapters.commands.run import outputs_of
from adapters.outputs.mqtt.output import MqttOutput
from adapters.outputs.web.server import OverlayServer
from adapters.practice_log.tracker import make_practice_tracker
from adapters.sources.fake import ScriptedSource
from bridge.daemon import Daemon
from bridge.ports.source import Cadence, Consistency
from bridge.prepared import memory_map, prepare
from bridge.questions.question import Questions
from bridge.sampling.setup import SamplingSetup
from schemas.loader import load_bridge
from tests.adapters.mosquitto import Mosquitto, until
from tests.adapters.raw_websocket import RawWebSocket
from tests.benchmarks.held import Held, of_process
from tests.virtual_clock import ProcessClock
from tests.virtual_time import VirtualTime

Say = Callable[[Held], None]

MINUTES = 24 * 60
RATE = 60
FRAMES_A_MINUTE = 60 * RATE

SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8000_0000, size = "256 KiB", mirrors = [0xA000_0000] } ]
[enums.ActorKind]
base = "u16"
values = { courier = 1, lantern = 2, crate = 3, gull = 4, buoy = 5, mist_puff = 6 }
[structs.BlockHeader]
size = 0x10
[structs.BlockHeader.fields]
magic  = { at = 0x0, type = "u16" }
used   = { at = 0x2, type = "u8" }
reuses = { at = 0x3, type = "u8" }
size   = { at = 0x4, type = "u32" }
next   = { at = 0x8, type = "BlockHeader*" }
[structs.Actor]
size = 0x40
[structs.Actor.fields]
kind   = { at = 0x00, type = "ActorKind" }
word   = { at = 0x04, type = "u32" }
next   = { at = 0x10, type = "Actor*" }
[symbols]
began     = "u32"
ended     = "u32"
room      = "u32"
corner    = "u32"
turned    = "u32"
door      = "u32"
fell      = "u32"
heap_head = "BlockHeader*"
held      = "Actor*"
actors    = "Actor*"
[heap]
block      = "BlockHeader"
first      = "heap_head"
next       = "block.next"
size       = "block.size"
used       = "block.used != 0"
payload    = "address(block) + 0x10"
alignment  = 16
magic      = "block.magic == 0x7B10"
generation = "block.reuses"
owner = { struct = "Actor", field = "kind", structs = {} }
"""
NAMES = (
    "began",
    "ended",
    "room",
    "corner",
    "turned",
    "door",
    "fell",
    "heap_head",
    "held",
    "actors",
)
BUILDS = {"print": (b"TIDE 1.0", 0x8000_1000), "export": (b"TIDE 1.1", 0x8000_2000)}
RECOGNISED_AT = 0x8000_0400
ARENA = 0x8001_0000
BLOCKS, BLOCK = 24, 0x60

BRIDGE = """
schema = "day.schema.toml"
[source]
kind = "fake"
[sampling]
rate = 240
frame = "began"
guard = { began = "began", ended = "ended" }
[[watches]]
name = "held_low"
expr = "low(held.word)"
show = "hex"
target = { between = [0x1000, 0x9000] }
[[watches]]
name = "held_by"
expr = "owner(held)"
[[watches]]
name = "about"
expr = "average(held.word, 60)"
[[watches]]
name = "lanterns"
expr = "len([a for a in chain(actors, 'next') if a.kind == ActorKind.lantern])"
[[watches]]
name = "turns"
expr = "frames_since(change(turned) > 0)"
[[watches]]
name = "doors"
expr = "tally(room, change(door) > 0)"
[[steps]]
name = "to the corner"
done = "corner"
hint = "hug the wall"
[[steps]]
name = "turn"
done = "change(turned) > 0"
fail = "fell"
[[steps]]
name = "through the door"
done = "door"
[attempts]
begins = "room == 1"
given_up = "room == 9"
keep = ["held_low"]
[outputs.overlay]
listen = "127.0.0.1:0"
[outputs.mqtt]
url = "MQTT"
[outputs.terminal]
"""
GETS = ("frame.json", "names.json", "history.json", "tallies.json", "layouts.json", "here.svg")


@dataclass
class Day:
    """What a day was: what the process held at each look, and how often each thing happened.

    ``growth`` is by how much the lines of code (in bytes, where they were traced) and the types of
    objects held more at the end than at the look in the middle, the most first.  ``log`` are the
    lines that were logged, with N for each number, and ``errors`` the last of those that say that
    something went wrong for good.
    """

    rows: list[Held] = field(default_factory=list)
    happened: Counter[str] = field(default_factory=Counter)
    growth: dict[str, int] = field(default_factory=dict)
    errors: list[str] = field(default_factory=list)
    log: Counter[str] = field(default_factory=Counter)


class Game:
    """What the guest does: its memory, poked into the source frame by frame."""

    def __init__(self, source: ScriptedSource) -> None:
        self.source = source
        self.number = 0
        self.build = "print"
        self._reuses = [0] * BLOCKS
        self.start()

    def start(self) -> None:
        """The build that is set now, from its first frame."""
        text, _ = BUILDS[self.build]
        self.source.poke(RECOGNISED_AT, text)
        for i in range(BLOCKS):
            self.block(i, used=True, kind=1 + i % 6)
        self.number = 0
        self.put(room=0, corner=0, turned=0, door=0, fell=0)
        self.put(heap_head=ARENA, held=self.payload(1), actors=self.payload(0))

    def payload(self, i: int) -> int:
        return ARENA + i * BLOCK + 0x10

    def block(self, i: int, *, used: bool, kind: int) -> None:
        self._reuses[i] = (self._reuses[i] + 1) & 0xFF
        following = ARENA + (i + 1) * BLOCK if i + 1 < BLOCKS else 0
        header = struct.pack(">HBBII", 0x7B10, used, self._reuses[i], BLOCK - 0x10, following)
        self.source.poke(ARENA + i * BLOCK, header)
        self.source.poke(self.payload(i), struct.pack(">H", kind))
        behind = self.payload(i + 1) if i + 1 < BLOCKS else 0
        self.source.poke(self.payload(i) + 0x10, struct.pack(">I", behind))

    def put(self, **places: int) -> None:
        _, base = BUILDS[self.build]
        for name, value in places.items():
            self.source.poke(base + 4 * NAMES.index(name), value.to_bytes(4, "big"))

    def frame(self, chance: random.Random, **places: int) -> None:
        """One more frame: a block changes hands, a word changes, and what is told."""
        self.number += 1
        self.put(began=self.number)
        i = chance.randrange(2, BLOCKS)
        self.block(i, used=chance.random() < 0.7, kind=chance.randrange(1, 7))
        held = self.payload(chance.choice((1, 1, 1, i)))
        self.source.poke(held + 4, struct.pack(">I", chance.getrandbits(32)))
        self.put(held=held, **places)
        self.put(ended=self.number)
        if self.source.cadence is Cadence.ANNOUNCED:
            self.source.frame(self.number)


class Terminal:
    """A pseudo-terminal, whose other end is read as fast as it is written."""

    def __init__(self) -> None:
        self._ours, theirs = pty.openpty()
        self.stream: TextIO = os.fdopen(theirs, "w", encoding="utf-8")
        self.painted = 0
        self._reader = threading.Thread(target=self._read, name="terminal's other end", daemon=True)
        self._reader.start()

    def _read(self) -> None:
        with contextlib.suppress(OSError):  # what a terminal says whose program has ended
            while piece := os.read(self._ours, 65536):
                self.painted += len(piece)

    def close(self) -> None:
        self.stream.close()
        self._reader.join(5)
        os.close(self._ours)


class LongDay:
    """The daemon and all around it; *frames* a minute are played, at 60 a second."""

    def __init__(self, directory: Path, clock: VirtualTime, frames: int, every: int) -> None:
        self.clock = clock
        self.frames = frames
        self.every = every
        self.day = Day()
        self.chance = random.Random(86_400)
        self.broker = Mosquitto(directory)
        self.broker.start()
        (directory / "day.schema.toml").write_text(SCHEMA + _places(), "utf-8")
        path = directory / "day.bridge.toml"
        path.write_text(BRIDGE.replace("MQTT", self.broker.url), "utf-8")
        bridge = load_bridge(path)
        self.source = ScriptedSource(cadence=Cadence.ANNOUNCED, consistency=Consistency.SENDER)
        self.game = Game(self.source)
        self.terminal = Terminal()
        self.log = logging.getLogger("lowhalf.day")
        self.logged = _Counting()
        self.log.addHandler(self.logged)
        self.log.setLevel(logging.INFO)
        self.log.propagate = False
        ready = prepare(bridge)
        time_passes = ProcessClock()
        questions = Questions(time_passes)
        stream = self.terminal.stream
        outputs = outputs_of(bridge, ready, questions, self.log, show="table", stream=stream)
        (self.overlay,) = (each for each in outputs if isinstance(each, OverlayServer))
        (self.mqtt,) = (each for each in outputs if isinstance(each, MqttOutput))
        self.daemon = Daemon(
            self.source,
            outputs,
            SamplingSetup(
                ready, memory_map(bridge.schema), time_passes, rate=bridge.file.sampling.rate
            ),
            log=self.log,
            practising=make_practice_tracker(bridge, ready, self.log),
            questions=questions,
        )
        self._sizes: list[Path] = []
        self._directory = directory

    @contextlib.asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        """The daemon runs, with one page that stays."""
        tasks = [asyncio.create_task(self.daemon.run())]
        try:
            async with aiohttp.ClientSession() as session:
                with self.clock.held():
                    await until(lambda: self.overlay.url, 20, "the pages")
                    tasks.append(asyncio.create_task(self._stay(session)))
                    await until(lambda: self.overlay.clients == 1, 20, "the page that stays")
                yield
                ended = [task.get_coro() for task in tasks if task.done()]
                assert not ended, f"the daemon, or the page that should stay, has ended: {ended}"
        finally:
            # the page first, so that it is not told that the daemon ends
            with self.clock.held():
                for task in reversed(tasks):
                    task.cancel()
                    await asyncio.wait([task])
            self.terminal.close()
            self.broker.kill()
            self.log.removeHandler(self.logged)

    async def _stay(self, session: aiohttp.ClientSession) -> None:
        async with session.ws_connect(f"{self.overlay.url}live?parts=heap,desk") as socket:
            async for _ in socket:
                self.day.happened["snapshots"] += 1
                await socket.send_str("ack")

    # a minute

    async def minute(self, n: int) -> None:
        """Everything that happens in minute *n*; ends with the source there."""
        events: list[Callable[[], Awaitable[None]]] = [self._polite_page, self._ask]
        if n % 3 == 0:
            events.append(self._abrupt_page)
        if n % 4 == 1:
            events.append(self._stalled_page)
        if n % 7 == 2:
            events.append(self._rude_page)
        if n % 5 == 3:
            events.append(self._get)
        others = [asyncio.create_task(_after(self.chance.random() / 8, event)) for event in events]
        await self._play(self.frames)
        await asyncio.gather(*others)
        if n % 30 == 29:
            await self._broker_away(frozen=n % 60 == 59)
        if n % 2 == 1:
            await self._source_away(n)
        elif n % 5 == 4:
            self.day.happened["resets"] += 1
            self.game.start()
        left_out = 60 * self.every - self.frames / RATE
        if left_out > 0:
            self.clock.skip(left_out)

    async def _play(self, frames: int) -> None:
        """Two attempts, with an end that is drawn."""
        half = max(6, frames // 2)
        turned = self.game.number
        for _ in range(2):
            end = self.chance.choice(("success", "success", "fail", "give up", "again"))
            for i in range(half):
                told: dict[str, int] = {"room": 1 if i == 1 else 0, "fell": 0}
                if i == 0:
                    told |= {"corner": 0, "door": 0}
                elif i == 2:
                    told["corner"] = 1
                elif i == 4 and end in ("fail", "give up"):
                    told |= {"fell": 1} if end == "fail" else {"room": 9}
                elif i == 4 and end == "success":
                    turned += 1
                    told["turned"] = turned
                elif i == 5 and end == "success":
                    told["door"] = 1
                self.game.frame(self.chance, **told)
                await asyncio.sleep(1 / RATE)
            self.day.happened["attempts"] += 1
        self.day.happened["frames"] += 2 * half
        # the fake remembers all that was asked of it, for tests that look at that
        self.source.batches.clear()
        self.source.wants.clear()

    # what comes and goes

    async def _source_away(self, n: int) -> None:
        """Lost and back: as it was, or with another build, or as a source that is polled."""
        self.day.happened["sources lost"] += 1
        self.source.lose(f"was lost for the {self.day.happened['sources lost']}th time")
        await asyncio.sleep(self.chance.uniform(0.5, 4))
        if n % 10 == 9:
            self.day.happened["other builds"] += 1
            self.game.build = "export" if self.game.build == "print" else "print"
            self.game.start()
        polled = n % 20 == 5
        consistency = Consistency.UNGUARDED if polled else Consistency.SENDER
        self.source.cadence = Cadence.POLLED if polled else Cadence.ANNOUNCED
        self.source.consistency = consistency
        self.source.restore()
        await until(lambda: self.source.opened, 60, "the source that is there again")

    async def _broker_away(self, *, frozen: bool) -> None:
        self.day.happened["brokers lost"] += 1
        if frozen:
            self.broker.freeze()
            await asyncio.sleep(6)
            self.broker.thaw()
        else:
            self.broker.kill()
            await asyncio.sleep(3)
            with self.clock.held():
                await asyncio.to_thread(self.broker.start)

    async def _page(self, path: str, messages: int) -> None:
        self.day.happened["pages"] += 1
        async with (
            aiohttp.ClientSession() as session,
            session.ws_connect(self.overlay.url + path) as socket,
        ):
            for _ in range(messages):
                await socket.receive_json(timeout=30)
                await socket.send_str("ack")

    async def _polite_page(self) -> None:
        await self._page("live", 3)

    async def _abrupt_page(self) -> None:
        """Reads one message, and is gone in the midst of another."""
        self.day.happened["pages that went"] += 1
        client = await RawWebSocket.connect(self.overlay.url, "/live?parts=heap")
        await client.receive()
        await client.send_text("ack")
        client.close()

    async def _stalled_page(self) -> None:
        """Never reads, until the server is tired of it or it goes."""
        self.day.happened["pages that stalled"] += 1
        client = await RawWebSocket.connect(self.overlay.url, "/live?parts=heap,desk")
        await asyncio.sleep(self.chance.choice((0.2, 12)))
        client.close()

    async def _rude_page(self) -> None:
        """Says what nobody asked for, and is shown the door."""
        self.day.happened["rude pages"] += 1
        client = await RawWebSocket.connect(self.overlay.url, "/live")
        await client.send_text("let me in")
        with contextlib.suppress(ConnectionError):
            while (await client.receive())[0] != 8:
                pass
        client.close()

    async def _ask(self) -> None:
        """Two questions that nobody asked before, of which some cannot be understood."""
        for _ in range(2):
            n = self.day.happened["questions"] = self.day.happened["questions"] + 1
            text = (
                f"held.word % {n + 1}",
                f"len([b for b in blocks() if b.size > {n}])",
                f"sum([a.word & {n} for a in chain(actors, 'next')])",
                f"nothing_{n}",
            )[n % 4]
            await self._page(f"ask?expr={quote(text, safe='')}", 2)

    async def _get(self) -> None:
        async with aiohttp.ClientSession() as session:
            for name in GETS:
                async with session.get(self.overlay.url + name) as answer:
                    assert answer.status == 200, (name, answer.status)
                    await answer.read()
                    self.day.happened["requests"] += 1

    # measuring

    async def measure(self, at: str) -> None:
        """Once all is there and nobody but the page that stays."""
        await self._play(12)
        await asyncio.sleep(100)  # a connection that is kept alive waits that long
        with self.clock.held():
            await until(lambda: self.mqtt.state.startswith("connected"), 30, "the broker")
            await until(lambda: self.overlay.clients == 1, 30, "no other page")
        await self._play(12)
        await asyncio.sleep(1)
        await asyncio.to_thread(gc.collect)
        gc.collect()
        resident, descriptors, threads = of_process(psutil.Process())
        tasks, objects = len(asyncio.all_tasks()), len(gc.get_objects())
        blocks = sys.getallocatedblocks()
        traced, sizes = _sizes()
        self.day.rows.append(
            Held(at, resident, descriptors, threads, tasks, objects, blocks, traced / 1024)
        )
        # what was measured is no part of what is held
        self._sizes.append(self._directory / f"sizes-{len(self._sizes)}.json")
        self._sizes[-1].write_text(json.dumps(sizes), "utf-8")

    def end(self) -> Day:
        """What it came to."""
        middle, last = self._sizes[len(self._sizes) // 2], self._sizes[-1]
        half, whole = (json.loads(path.read_text("utf-8")) for path in (middle, last))
        grown = {what: size - half.get(what, 0) for what, size in whole.items()}
        most = sorted(grown, key=lambda what: -grown[what])
        self.day.growth = {what: grown[what] for what in most if grown[what] > 0}
        self.day.errors = self.logged.errors
        self.day.log = self.logged.shapes
        self.day.happened["terminal KiB"] = self.terminal.painted >> 10
        self.day.happened |= self.logged.counts
        return self.day


class _Counting(logging.Handler):
    """Counts lines of the log, by their level and by their words, whatever numbers are in them."""

    def __init__(self) -> None:
        super().__init__()
        self.counts: Counter[str] = Counter()
        self.shapes: Counter[str] = Counter()
        self.errors: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.counts[f"{record.levelname.lower()} lines"] += 1
        self.shapes[re.sub(r"\d+", "N", record.getMessage())] += 1
        if record.exc_info or record.levelno >= logging.ERROR:
            self.errors.append(record.getMessage())
            del self.errors[:-20]


def _places() -> str:
    return "".join(
        f'[builds.{build}]\nrecognise = [ {{ at = {RECOGNISED_AT}, text = "{text.decode()}" }} ]\n'
        + "".join(f"at.{name} = {base + 4 * i}\n" for i, name in enumerate(NAMES))
        for build, (text, base) in BUILDS.items()
    )


async def _after(seconds: float, event: Callable[[], Awaitable[None]]) -> None:
    await asyncio.sleep(seconds)
    await event()


def _sizes() -> tuple[int, dict[str, int]]:
    """Bytes that lines of code hold, where these are traced; objects by type and bytes by line.

    What the measuring itself takes is left out.
    """
    sizes = {
        f"objects of {kind.__module__}.{kind.__qualname__}": count
        for kind, count in Counter(map(type, gc.get_objects())).items()
    }
    if not tracemalloc.is_tracing():
        return 0, sizes
    own = [tracemalloc.Filter(False, name) for name in (__file__, tracemalloc.__file__)]
    statistics = tracemalloc.take_snapshot().filter_traces(own).statistics("lineno")
    sizes |= {f"bytes of {each.traceback}": each.size for each in statistics}
    return sum(each.size for each in statistics), sizes


async def _live(
    day: LongDay, minutes: int, looks: Sequence[float], say: Say, seconds: float | None
) -> Day:
    # as the command itself has it
    asyncio.get_running_loop().set_default_executor(PassingThreads())
    wanted = {round(minutes * look) for look in looks}
    began = time.perf_counter()
    async with day.running():
        for n in range(minutes + 1):
            late = seconds is not None and time.perf_counter() - began > seconds
            if n in wanted or late:
                await day.measure(f"{100 * n / minutes:.1f} %")
                say(day.day.rows[-1])
            if n == minutes or late:
                break
            await day.minute(n)
        return day.end()


def live_through(
    directory: Path,
    *,
    every: int = 1,
    frames: int = FRAMES_A_MINUTE,
    trace: bool = True,
    minutes: int = MINUTES,
    looks: Sequence[float] = (0, 0.1, 0.5, 1),
    say: Say = lambda row: None,
    seconds: float | None = None,
) -> Day:
    """Live through *minutes* of a day, of which one in *every* is lived with so many *frames*.

    *looks* are the parts of it after which is measured; *say* is told at once.  With *trace* what
    Python allocates is followed, which takes more than twice the time.  After *seconds* of real
    time it ends where it is.
    """
    clock = VirtualTime()
    os.environ["TERM"] = "xterm"
    if trace:
        tracemalloc.start()
    try:
        with asyncio.Runner(loop_factory=clock.loop) as runner, clock.installed():
            with clock.held():
                day = LongDay(directory, clock, frames, every)
            return runner.run(_live(day, minutes // every, looks, say, seconds))
    finally:
        tracemalloc.stop()
