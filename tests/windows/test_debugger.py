"""QEMU's debugger stub, on Linux with our game in it, read by lowhalf under Wine.

Values are held against those of lowhalf on Linux through the same stub.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.guest.machine import GuestMachine
from tests.windows.comparing import NEEDS_WINE, bridge, read_on_linux, without_origin
from tests.windows.wine import Wine

pytestmark = [
    *NEEDS_WINE,
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm"),
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
]


def source(guest: GuestMachine, *, exact: bool) -> str:
    return (
        f'kind = "debugger"\naddress = "127.0.0.1:{guest.gdb_port}"\n'
        f"frame_exact = {str(exact).lower()}"
    )


@pytest.mark.parametrize("exact", [False, pytest.param(True, marks=pytest.mark.full)])
def test_values_are_those_of_linux_and_the_game_goes_on(
    wine: Wine, tmp_path: Path, elf: Path, exact: bool
) -> None:
    with GuestMachine(elf, tmp_path) as guest:
        guest.hold("carry", 150)
        path = bridge(tmp_path, source(guest, exact=exact))
        line = read_on_linux(tmp_path / bridge(tmp_path, source(guest, exact=False), "linux"))
        with wine.lowhalf(tmp_path, "run", path, "--json") as lowhalf:
            if not exact:  # else there is no frame before the game goes on
                frame, read = lowhalf.until_whole(1)
                assert without_origin(read) == without_origin(line)
                assert frame == guest.read_symbol_u32("frame_ended")
            guest.release()
            first = lowhalf.until(lowhalf.good, "a frame")
            lowhalf.until(lambda: lowhalf.last()["frame"] > first["frame"] + 50, "more frames")


@pytest.mark.full
def test_the_emulator_is_started_again(wine: Wine, tmp_path: Path, elf: Path) -> None:
    """Its end resets the connection; the stub is sought until it is there again."""
    with GuestMachine(elf, tmp_path) as guest:
        path = bridge(tmp_path, source(guest, exact=False))
        with wine.lowhalf(tmp_path, "run", path, "--json") as lowhalf:
            lowhalf.until(lowhalf.good, "a frame")
            guest.close()
            lowhalf.until(
                lambda: lowhalf.last()["readings"][0]["status"] == "offline", "word of its end"
            )
            said = lowhalf.last()["readings"][0]["reason"]
            assert said.startswith(f"debugger 127.0.0.1:{guest.gdb_port}: "), said
