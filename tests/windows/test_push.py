"""The kits on Windows: they send to lowhalf under Wine, and to lowhalf on Linux.

Values are held against those of a dump on Linux, and the C kit against gcc and mingw-w64.
"""

from __future__ import annotations

from functools import partial
from pathlib import Path

import pytest

from bridge.memory.byte_order import ByteOrder, reorder
from tests.adapters.clients import kit_run
from tests.windows import rig
from tests.windows.comparing import NEEDS_WINE, bridge, guest_ram, on_linux, without_origin
from tests.windows.rig import windows_path
from tests.windows.wine import BEGAN, ENDED, Lowhalf, Program, Wine, compile_program

pytestmark = NEEDS_WINE
KITS, SOURCES = kit_run.KITS, Path(__file__).parent
LISTENING = 'kind = "push"\nlisten = "127.0.0.1:0"'
C99 = ("-std=c99", "-pedantic", f"-I{KITS}", "-lws2_32")
ORDERS = {0: ByteOrder.BIG, 2: ByteOrder.SWAP32}


def sender(wine: Wine, kit: str) -> list[str]:
    """The words that start a sender with a kit, up to those of push_dump.c."""
    if kit == "c":
        return [windows_path(compiled(wine, SOURCES / "push_dump.c"))]
    script = "push_dump.py" if kit == "python" else "push_dump_lua.py"
    python = windows_path(wine.folder / "python" / "python.exe")
    which = [] if kit == "python" else [kit]
    return [python, windows_path(SOURCES / script), *which, windows_path(KITS)]


def compiled(wine: Wine, source: Path) -> Path:
    """A program with the C kit."""
    if source.stem not in wine.programs:
        program = wine.work / f"{source.stem}.exe"
        wine.programs[source.stem] = compile_program(source, program, *C99)
    return wine.programs[source.stem]


def port_of(lowhalf: Lowhalf) -> str:
    """Where it listens."""
    said = "listening on 127.0.0.1 port "

    def listening() -> str:
        return next((line for line in reversed(lowhalf.errors) if said in line), "")

    return str(lowhalf.until(listening, "a port")).rsplit(" ", 1)[1]


@pytest.mark.parametrize(
    ("kits", "order"),
    [
        (("c",), 2),
        pytest.param(("python", "c", "python", "c"), 2, marks=pytest.mark.full),
        pytest.param(("c", "python"), 0, marks=pytest.mark.full),
        pytest.param(("lua51", "lua52", "lua53", "lua54"), 0, marks=pytest.mark.full),
    ],
    ids=["c", "swap32", "big", "each lua"],
)
def test_each_kit_sends_to_lowhalf_on_windows(
    wine: Wine, tmp_path: Path, kits: tuple[str, ...], order: int
) -> None:
    """One sender after the other; values are those of a dump on Linux in the same frame."""
    image = tmp_path / "ram.bin"
    image.write_bytes(guest_ram())
    (tmp_path / "host.bin").write_bytes(reorder(guest_ram(), ORDERS[order]))
    with wine.lowhalf(tmp_path, "run", bridge(tmp_path, LISTENING), "--json") as lowhalf:
        for turn, kit in enumerate(kits, start=1):
            first, last = turn << 20, (turn << 20) + 200
            numbers = map(str, (order, first, last, BEGAN, ENDED))
            dump = windows_path(tmp_path / "host.bin")
            words = [*sender(wine, kit), port_of(lowhalf), dump, *numbers]
            with Program(wine.folder, words, tmp_path) as program:
                frame, line = lowhalf.until_whole(first)
                assert without_origin(line) == on_linux(tmp_path, image, frame, LISTENING)
                assert program.until(partial(list, program.lines), "word") == [f"sent {last}"]
                lowhalf.until_frame(last)
                seen = {frame["frame"] for frame in lowhalf.frames() if frame["frame"]}
                assert len([number for number in seen if number >= first]) > 5
                program.write("that is all")
                assert program.join() == 0
            lowhalf.until(partial(_ended, lowhalf), "word of its end")


def _ended(lowhalf: Lowhalf) -> bool:
    last = lowhalf.last()["readings"][0]
    return (last["status"], last["reason"].partition(": ")[2]) == (
        "offline",
        "the producer said BYE",
    )


@pytest.mark.full
def test_a_producer_that_is_gone_in_the_middle(wine: Wine, tmp_path: Path) -> None:
    """A crash resets the connection on Windows; the next one is taken."""
    (tmp_path / "host.bin").write_bytes(guest_ram())
    dump = windows_path(tmp_path / "host.bin")
    with wine.lowhalf(tmp_path, "run", bridge(tmp_path, LISTENING), "--json") as lowhalf:
        for turn in (1, 2):
            numbers = map(str, (0, turn << 20, (turn << 20) + (1 << 19), BEGAN, ENDED))
            words = [*sender(wine, "c"), port_of(lowhalf), dump, *numbers]
            with Program(wine.folder, words, tmp_path):
                lowhalf.until(partial(_frame_of_turn, lowhalf, turn), "a frame")
            lowhalf.until(
                lambda: lowhalf.last()["readings"][0]["status"] == "offline", "word of its end"
            )


def _frame_of_turn(lowhalf: Lowhalf, turn: int) -> bool:
    good = lowhalf.good()
    return good is not None and good["frame"] >> 20 == turn


@pytest.fixture
def driver(wine: Wine) -> list[str]:
    """The driver of the kit's tests on Linux, made for Windows."""
    prefix = rig.environment(wine.folder)["WINEPREFIX"]
    program = compiled(wine, kit_run.DRIVERS / "driver.c")
    return ["env", f"WINEPREFIX={prefix}", "WINEDEBUG=-all", "wine", str(program)]


@pytest.mark.parametrize("order", [0, pytest.param(2, marks=pytest.mark.full)])
def test_to_lowhalf_on_linux(tmp_path: Path, driver: list[str], order: int) -> None:
    kit_run.run_against_the_daemon(driver, tmp_path, order)


@pytest.mark.full
def test_frames_in_parts(tmp_path: Path, driver: list[str]) -> None:
    kit_run.run_with_small_messages(driver, tmp_path)


@pytest.mark.full
def test_most_ranges(tmp_path: Path, driver: list[str]) -> None:
    kit_run.run_with_most_ranges(driver, tmp_path)


@pytest.mark.full
def test_refused(tmp_path: Path, driver: list[str]) -> None:
    kit_run.run_until_refused(driver, tmp_path, "(code 11)")


def test_nobody_there(tmp_path: Path, driver: list[str]) -> None:
    kit_run.run_with_nobody_there(driver, tmp_path)
