"""A console behind a COM port of Wine's, whose other end is on Linux and has the C kit.

Values are held against those of a dump on Linux.  Wine lets two programs open one port, so that a
port in use is a matter of tests/adapters/sources/test_serial.py.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from tests.adapters.clients import kit_run
from tests.windows.com_port import ComPort
from tests.windows.comparing import NEEDS_WINE, bridge, guest_ram, on_linux, without_origin
from tests.windows.wine import BEGAN, ENDED, Lowhalf, Wine

pytestmark = [*NEEDS_WINE, pytest.mark.needs("gcc", "gcc")]


@pytest.fixture(scope="module")
def console(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """push_dump.c for Linux."""
    program = tmp_path_factory.mktemp("console") / "push_dump"
    source = Path(__file__).parent / "push_dump.c"
    strict = ("-std=c99", "-pedantic", "-O1", "-Wall", "-Wextra", "-Werror", f"-I{kit_run.KITS}")
    subprocess.run(["gcc", *strict, "-o", str(program), str(source)], check=True)
    return program


def sent_and_read(
    console: Path,
    cable: ComPort,
    lowhalf: Lowhalf,
    folder: Path,
    first: int,
    *,
    pulled: bool = False,
) -> None:
    """The console sends from that frame on, and its values are those of the dump on Linux."""
    numbers = map(str, (0, first, first + 200, BEGAN, ENDED))
    words = [str(console), str(cable.port), str(folder / "ram.bin"), *numbers, "again"]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as running:
        try:
            frame, line = lowhalf.until_whole(first)
            if pulled:
                cable.unplug()
        finally:
            running.communicate(b"that is all\n", timeout=60)
    assert without_origin(line) == on_linux(folder, folder / "ram.bin", frame, "")


@pytest.mark.parametrize(
    ("number", "form"),
    [
        (None, "NAME"),
        pytest.param(None, "\\\\.\\NAME", marks=pytest.mark.full),
        pytest.param(7, "NAME", marks=pytest.mark.full),
    ],
    ids=["beyond COM9", "as a device", "COM7"],
)
def test_values_are_those_of_linux(
    wine: Wine, tmp_path: Path, console: Path, number: int | None, form: str
) -> None:
    (tmp_path / "ram.bin").write_bytes(guest_ram())
    with ComPort(wine.folder, number) as cable:
        port = form.replace("NAME", cable.name)
        path = bridge(tmp_path, f"kind = \"serial\"\nport = '{port}'\nspeed = 921600")
        with wine.lowhalf(tmp_path, "run", path, "--json") as lowhalf:
            sent_and_read(console, cable, lowhalf, tmp_path, 5000)
            assert lowhalf.last()["source"] == f"serial {port}"


def reason(lowhalf: Lowhalf) -> str:
    last = lowhalf.last()
    return str(last["readings"][0]["reason"]) if last else ""


@pytest.mark.full
def test_pulled_out_and_put_in_again(wine: Wine, tmp_path: Path, console: Path) -> None:
    (tmp_path / "ram.bin").write_bytes(guest_ram())
    with ComPort(wine.folder) as cable:
        path = bridge(tmp_path, f"kind = \"serial\"\nport = '{cable.name}'\nspeed = 921600")
        cable.unplug()
        with wine.lowhalf(tmp_path, "run", path, "--json") as lowhalf:
            missing = f"{cable.name} is not there: is the cable plugged in?"
            for turn in (1, 2):
                lowhalf.until(lambda: reason(lowhalf).endswith(missing), "word that it is missing")
                cable.plug()
                sent_and_read(console, cable, lowhalf, tmp_path, turn << 20, pulled=True)
            lowhalf.until(lambda: reason(lowhalf).endswith(missing), "word that it is missing")
        told = [line for line in lowhalf.errors if f": {cable.name} was unplugged (" in line]
        assert len(told) == 2, lowhalf.errors
