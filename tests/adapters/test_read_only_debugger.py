"""Every packet that the debugger source sends to a real stub, as a proxy in between records them.

The packets' meanings are those of the GDB manual, appendix "GDB Remote Serial Protocol": the ones
that are let through here read, halt and let go, and none of them writes memory or a register.
"""

from __future__ import annotations

import asyncio
import re
import signal
import time
from collections import Counter
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from tests.commands.command import Running
from tests.guest.machine import GuestMachine

SCHEMA = Path(__file__).parents[2] / "schemas" / "games" / "tidewright.schema.toml"

needs_compiler = pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm")
needs_qemu = pytest.mark.needs("qemu-system-mips", "qemu-system-mips")

BRIDGE = """
schema = "SCHEMA"
[source]
kind = "debugger"
address = "127.0.0.1:PORT"
frame_exact = EXACT
[sampling]
frame = "frame_began"
guard = { began = "frame_began", ended = "frame_ended" }
[[watches]]
name = "x"
expr = "courier.position.x"
[[watches]]
name = "head"
expr = "actor_head.seen_frame"
"""

_PLAIN = {
    "acknowledge": rb"\+",
    "ask again": rb"-",
    "halt": rb"\x03",
    "features": rb"qSupported(:[ -~]*)?",
    "no acks": rb"QStartNoAckMode",
    "why": rb"\?",
    "read": rb"m[0-9a-f]+,[0-9a-f]+",
    "go on": rb"c",
    "detach": rb"D",
}
_FRAME_EXACT = {
    "watch": rb"Z2,[0-9a-f]+,[0-9a-f]+",
    "unwatch": rb"z2,[0-9a-f]+,[0-9a-f]+",
    "step": rb"s",
}


def sent_items(data: bytes) -> Iterator[bytes]:
    """What a client sent: each packet's payload, and each byte that stands outside a packet."""
    at = 0
    while at < len(data):
        if data[at : at + 1] != b"$":
            yield data[at : at + 1]
            at += 1
            continue
        end = data.find(b"#", at)
        if end < 0 or end + 3 > len(data):
            raise AssertionError(f"a packet that is cut off: {data[at:]!r}")
        payload = data[at + 1 : end]
        assert int(data[end + 1 : end + 3], 16) == sum(payload) & 0xFF
        yield payload
        at = end + 3


def kinds(data: bytes, *, exact: bool) -> Counter[str]:
    """How many of each listed kind were sent; what is not listed counts under its own bytes."""
    listed = {**_PLAIN, **(_FRAME_EXACT if exact else {})}
    found: Counter[str] = Counter()
    for item in sent_items(data):
        names = [name for name, form in listed.items() if re.fullmatch(form, item)]
        found[names[0] if names else f"not listed: {item!r}"] += 1
    return found


def not_listed(found: Counter[str]) -> list[str]:
    return [name for name in found if name.startswith("not listed")]


class Tap:
    """What went from the clients to the stub, by connection."""

    def __init__(self) -> None:
        self.port = 0
        self.sent: list[bytearray] = []
        self.answered = 0
        self._upstream = 0

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        record = bytearray()
        self.sent.append(record)
        stub_reader, stub_writer = await asyncio.open_connection("127.0.0.1", self._upstream)

        async def up() -> None:
            while data := await reader.read(65536):
                record.extend(data)
                stub_writer.write(data)
                await stub_writer.drain()
            stub_writer.close()

        async def down() -> None:
            while data := await stub_reader.read(65536):
                self.answered += len(data)
                writer.write(data)
                await writer.drain()
            writer.close()

        try:
            await asyncio.gather(up(), down(), return_exceptions=True)
        finally:
            stub_writer.close()
            writer.close()

    @classmethod
    @asynccontextmanager
    async def on(cls, upstream: int) -> AsyncIterator[Tap]:
        """A proxy on a free loopback port to the stub at port *upstream*."""
        tap = cls()
        tap._upstream = upstream
        server = await asyncio.start_server(tap._serve, "127.0.0.1", 0)
        tap.port = server.sockets[0].getsockname()[1]
        try:
            yield tap
        finally:
            server.close()


FRAMES = 30
"""Samples that are waited for."""


def good_frames(daemon: Running) -> int:
    return sum('"consistency":"halted"' in line for line in list(daemon.printed))


@needs_compiler
@needs_qemu
@pytest.mark.parametrize("exact", [False, True], ids=["sampled", "frame_exact"])
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT], ids=["sigterm", "sigint"])
async def test_only_the_listed_packets_are_sent(
    elf: Path, tmp_path: Path, exact: bool, number: int
) -> None:
    path = tmp_path / "tap.bridge.toml"
    with GuestMachine(elf, tmp_path) as guest:
        async with Tap.on(guest.gdb_port) as tap:
            text = BRIDGE.replace("SCHEMA", SCHEMA.as_posix()).replace("PORT", str(tap.port))
            path.write_text(text.replace("EXACT", str(exact).lower()), "utf-8")
            with Running("run", str(path), "--json") as daemon:
                end = time.monotonic() + 30
                while good_frames(daemon) < FRAMES and time.monotonic() < end:
                    assert daemon.process.poll() is None, daemon.logged
                    await asyncio.sleep(0.02)
                assert good_frames(daemon) >= FRAMES, daemon.logged
                assert await asyncio.to_thread(daemon.stop, number) == 0
        first = guest.read_symbol_u32("frame_ended")
        await asyncio.to_thread(guest.wait_for_frame, first + 10)
        ended = guest.symbols["frame_ended"]
    (record,) = tap.sent
    found = kinds(bytes(record), exact=exact)
    assert not_listed(found) == []
    assert found["features"] == found["why"] == found["detach"] == 1
    assert found["no acks"] <= 1  # only to a stub that offers it
    assert found["read"] > FRAMES
    assert found["go on"] >= FRAMES
    assert found["halt"] >= (1 if exact else FRAMES)
    assert tap.answered > FRAMES * 256
    items = list(sent_items(bytes(record)))
    assert [item for item in items if item not in (b"+", b"-")][-1] == b"D"
    if exact:
        assert found["watch"] == found["unwatch"] >= FRAMES - 10
        assert found["step"] >= FRAMES - 10
        where = {item[1:] for item in items if item[:1] in (b"Z", b"z")}
        assert where == {b"2,%x,4" % ended}
    print(f"{'frame exact' if exact else 'sampled'}: {dict(found)}")


@pytest.mark.parametrize(
    "payload",
    [
        b"M80100000,4:00000000",
        b"X80100000,4:abcd",
        b"G00000000",
        b"P1=00000000",
        b"Z0,80100000,4",
        b"vCont;c",
        b"c80100000",
        b"s",
        b"Z2,80100014,4",
        b"k",
        b"qRcmd,73797374656d5f7265736574",
        b"R00",
    ],
)
def test_what_changes_the_guest_would_be_seen(payload: bytes) -> None:
    data = b"+$" + payload + b"#%02x" % (sum(payload) & 0xFF)
    assert not_listed(kinds(data, exact=False)) == [f"not listed: {payload!r}"]
    assert kinds(data, exact=False)["acknowledge"] == 1
    is_exact = payload in (b"s", b"Z2,80100014,4")
    assert bool(not_listed(kinds(data, exact=True))) is not is_exact


def test_a_byte_outside_a_packet_counts_as_one() -> None:
    assert kinds(b"+\x03-$m0,4#fd", exact=False) == Counter(
        {"acknowledge": 1, "halt": 1, "ask again": 1, "read": 1}
    )
    assert not_listed(kinds(b"\x04", exact=True)) == ["not listed: b'\\x04'"]
