"""Programs that lowhalf for Windows starts, and those that it is to find by odd names, under Wine.

How a command line is split into arguments: "Parsing C command-line arguments" in Microsoft's C
language reference.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from bridge.memory.byte_order import ByteOrder
from tests.windows.comparing import NEEDS_WINE, SAMPLES, bridge, guest_ram, on_linux, without_origin
from tests.windows.rig import windows_path
from tests.windows.wine import WORKER, Wine

pytestmark = NEEDS_WINE
DUMP = "first-print-carry.bin.gz"
ODD_NAME = f"Tide Emü{WORKER} 2.0"
WORDS = [
    *("two words", "", 'a "quoted" word', "C:\\Program Files\\", 'ends in \\"', "\\\\pier\\tide\\"),
    *("müwe 🌊", "%PATH%", "^&|<>", "--", "*.bin"),
]


def test_a_command_has_its_words_and_its_exit_code(wine: Wine, tmp_path: Path) -> None:
    path = bridge(tmp_path, f'kind = "file"\npath = {windows_path(SAMPLES / DUMP)!r}')
    child = "import json, sys; print(json.dumps(sys.argv[1:]), flush=True); sys.exit(7)"
    command = [wine.python, "-c", child, *WORDS]
    with wine.lowhalf(tmp_path, "run", path, "--quiet", "--", *command) as lowhalf:
        assert lowhalf.join() == 3
        assert [json.loads(line) for line in lowhalf.lines] == [WORDS]
        assert lowhalf.errors[-1] == f"lowhalf: {wine.python} ended with exit code 7"


@pytest.mark.parametrize(
    ("command", "said"),
    [
        ("no-such-emulator.exe", "lowhalf: no-such-emulator.exe cannot be started: "),
        pytest.param("ram.bin", "lowhalf: ram.bin cannot be started: ", marks=pytest.mark.full),
    ],
)
def test_what_is_no_program(wine: Wine, tmp_path: Path, command: str, said: str) -> None:
    (tmp_path / "ram.bin").write_bytes(guest_ram())
    path = bridge(tmp_path, 'kind = "process"')
    with wine.lowhalf(tmp_path, "run", path, "--quiet", "--", command) as lowhalf:
        assert lowhalf.join() == 2
        assert lowhalf.errors[-1].startswith(said)


@pytest.mark.full
def test_an_emulator_by_an_odd_name_of_which_two_run(wine: Wine, tmp_path: Path) -> None:
    """Its name has spaces and letters of other alphabets, and is written in another case.  Its RAM
    begins behind a header, in a mapping that it sees at two addresses (MapViewOfFile twice), of
    which Windows does not tell that they are one."""
    image = tmp_path / "ram.bin"
    image.write_bytes(guest_ram())
    source = f'kind = "process"\nname = "{ODD_NAME.upper()}.EXE"'
    path = bridge(tmp_path, source)
    settings = {"order": ByteOrder.SWAP16, "name": ODD_NAME}
    with wine.host(image, f"Header {WORKER}", "0x1230", **settings) as host:
        again, _ = host.say("v")
        assert again != host.live
        with wine.host(image, **settings) as other:
            with wine.lowhalf(tmp_path, "run", path, "--json") as lowhalf:
                assert lowhalf.join() == 3
            (said,) = lowhalf.errors
            assert "2 processes are named" in said
            assert f"{host.pid} (" in said
            assert f"{other.pid} (" in said
        with wine.lowhalf(tmp_path, "run", path, "--json") as lowhalf:
            lowhalf.until(lowhalf.good, "a frame")
            frame, _ = host.say("p")
            line = lowhalf.until_frame(frame)
            assert without_origin(line) == on_linux(tmp_path, image, frame, source)
            assert host.say("q") == (frame, frame)
            assert not any("set address" in word for word in lowhalf.errors)
