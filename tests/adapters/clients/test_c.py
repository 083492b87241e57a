"""The C kit, compiled as strictly as a compiler can and run for real."""

from __future__ import annotations

import asyncio
import random
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from adapters.sources.pushed import lhp
from adapters.sources.pushed.serial import SerialLine
from bridge.memory.address_map import MemoryMap, Region, Span
from schemas.source_settings import SerialSource
from tests.adapters.clients import kit_run
from tests.adapters.sources.pty_pair import PtyPair
from tests.commands import files

pytestmark = [
    pytest.mark.needs("gcc", "gcc"),
    pytest.mark.needs("libc6-dev", "/usr/include/stdio.h"),
]

FLAGS = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", "-O2", f"-I{kit_run.KITS}"]

SANITIZE = ["-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]


def built(source: Path, folder: Path, *flags: str, compiler: str = "gcc") -> Path:
    program = folder / "driver"
    done = subprocess.run(
        [compiler, *FLAGS, *flags, str(source), "-o", str(program)],
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    return program


@pytest.fixture(scope="module")
def driver(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    folder = tmp_path_factory.mktemp("driver")
    return [str(built(kit_run.DRIVERS / "driver.c", folder, *SANITIZE))]


@pytest.mark.parametrize("order", kit_run.ORDERS)
def test_under_the_daemon(tmp_path: Path, driver: list[str], order: int) -> None:
    kit_run.run_against_the_daemon(driver, tmp_path, order)


def test_frames_in_parts(tmp_path: Path, driver: list[str]) -> None:
    kit_run.run_with_small_messages(driver, tmp_path)


def test_most_ranges(tmp_path: Path, driver: list[str]) -> None:
    kit_run.run_with_most_ranges(driver, tmp_path)


def test_refused(tmp_path: Path, driver: list[str]) -> None:
    kit_run.run_until_refused(driver, tmp_path, "(code 11)")


def test_nobody_there(tmp_path: Path, driver: list[str]) -> None:
    kit_run.run_with_nobody_there(driver, tmp_path)


def answers(chance: random.Random) -> Iterator[bytes]:
    """What lowhalf says, some of it damaged: bytes lost, changed and added."""
    for _ in range(3000):
        count = chance.choice([0, 1, 3, 40])
        ranges = tuple((files.BASE + 64 * chance.randrange(256), 64) for _ in range(count))
        messages: list[lhp.Message] = [
            lhp.Welcome(chance.choice([17, 300, lhp.MAX_PAYLOAD]), ranges),
            lhp.Want(lhp.MAX_PAYLOAD, ranges),
            lhp.Ack(7),
            lhp.Pong(b"?"),
            lhp.ErrorMessage(lhp.Code.PAYLOAD, chance.random() < 0.3, "what?"),
        ]
        data = bytearray(lhp.encode(chance.choice(messages)))
        if chance.random() < 0.3:
            at = chance.randrange(len(data))
            data[at : at + chance.randrange(4)] = chance.randbytes(chance.randrange(4))
        yield bytes(data)


def test_noise_never_makes_it_read_outside_the_ram(tmp_path: Path) -> None:
    program = built(kit_run.DRIVERS / "noise_driver.c", tmp_path, "-DLHP_NO_SOCKETS", *SANITIZE)
    for seed in range(5):
        noise = b"".join(answers(random.Random(seed)))
        done = subprocess.run([str(program)], input=noise, capture_output=True, timeout=60)
        assert done.returncode == 0, done.stderr
        frames, asked = map(int, done.stdout.split())
        assert frames > 1000
        assert asked > 64 * frames // 10


@pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc")
@pytest.mark.needs("libc6-dev-mips-cross", "/usr/mips-linux-gnu/include/string.h")
def test_it_compiles_for_a_console_without_sockets(tmp_path: Path) -> None:
    source = tmp_path / "pier.c"
    source.write_text(
        '#include "lhp_client.h"\nlhp_client client;\n'
        "int one(lhp_read read) { return lhp_frame(&client, 1, read, 0); }\n",
        "utf-8",
    )
    program = built(
        source,
        tmp_path,
        *("-DLHP_NO_SOCKETS", "-ffreestanding", "-c"),
        compiler="mips-linux-gnu-gcc",
    )
    undefined = subprocess.run(
        ["mips-linux-gnu-nm", "-u", str(program)], capture_output=True, text=True, timeout=20
    ).stdout.split()
    # what any C library of a console has; _gp_disp is the compiler's
    assert set(undefined) - {"U"} <= {"memcpy", "memset", "strcpy", "strlen", "_gp_disp"}


@pytest.mark.needs("socat", "socat")
async def test_over_a_serial_line(tmp_path: Path) -> None:
    program = await asyncio.to_thread(
        built, kit_run.DRIVERS / "serial_driver.c", tmp_path, "-DLHP_NO_SOCKETS"
    )
    memory = MemoryMap([Region("ram", files.BASE, files.SIZE)])
    line = [Span(files.BASE + files.LANTERN, 0x100)]
    with PtyPair(tmp_path) as pair:
        port = pair.console.port
        pair.console.close()
        process = await asyncio.create_subprocess_exec(str(program), str(port))
        source = SerialLine(SerialSource(kind="serial", port=str(pair.host)))
        try:
            # the second time the console has been welcomed already, and is told to say HELLO
            for _ in range(2):
                async with asyncio.timeout(20):
                    opened = await source.open(memory)
                    assert opened.memory.regions == memory.regions
                    source.want(line)
                    seen: list[int] = []
                    while len(seen) < 20:
                        number = await source.wait()
                        (data,) = await source.fetch(line)
                        if data is not None:
                            assert number is not None
                            assert data == number.to_bytes(4, "big") * 64
                            seen.append(number)
                assert seen == sorted(set(seen))
                await source.close()
        finally:
            await source.close()
            process.terminate()
            await process.wait()
