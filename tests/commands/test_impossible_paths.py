"""Names that no file can have, wherever a path may stand: a documented error each, no traceback.

Outside source: POSIX, NAME_MAX (255 bytes on the usual file systems); no path holds a null
character.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from adapters.commands.main import main
from tests.commands.files import BRIDGE, write

LONG = "a" * 300
PRACTICE = """
[attempts]
begins = "low_x == 1"
succeeds = "low_x == 2"
file = "NAME"
"""


@pytest.mark.parametrize("name", [LONG, "x\\u0000y", f"sub/{LONG}/x", "."])
@pytest.mark.parametrize(
    ("place", "says"),
    [
        ("schema", ":2: schema: there is no file "),
        ("layout", "layouts.good: there is no file "),
    ],
)
def test_a_schema_or_a_layout_that_cannot_be(
    name: str, place: str, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bridge = BRIDGE + f'[layouts]\ngood = "{name}"\n'
    if place == "schema":
        bridge = BRIDGE.replace("t.schema.toml", name)
    path = write(tmp_path, bridge=bridge)
    assert main(["check", str(path)]) == 2
    assert says in capsys.readouterr().err


@pytest.mark.parametrize("name", [LONG, "x\\u0000y", f"sub/{LONG}/x"])
@pytest.mark.parametrize("kind", ["file", "folder", "shared", "recording"])
def test_a_source_that_cannot_be(
    name: str, kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bridge = BRIDGE.replace('"file"', f'"{kind}"').replace("t.bin", name)
    path = write(tmp_path, bridge=bridge)
    assert main(["read", str(path)]) == 3
    said = capsys.readouterr().err
    assert said.startswith(f"lowhalf: {kind} ")
    assert any(
        words in said
        for words in (
            *("cannot be", "is not there", "may not be", "embedded null", "too long"),
            "which no name on Windows can",
        )
    )


@pytest.mark.parametrize("name", [LONG, "x\\u0000y", f"sub/{LONG}/x", "a" * 255])
@pytest.mark.parametrize("command", [["attempts"], ["run", "--quiet"]])
def test_a_file_of_attempts_that_cannot_be(
    name: str, command: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write(tmp_path, bridge=BRIDGE + PRACTICE.replace("NAME", name))
    (tmp_path / "t.bin").unlink()  # so that the daemon ends
    code = main([*command, str(path)])
    said = capsys.readouterr().err
    if command == ["attempts"]:
        assert code == 2
        assert "is not there yet: lowhalf run makes it" in said
    else:
        assert code == 3
        assert "nothing is kept in this run" in said


def test_files_to_write_that_cannot_be(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path, bridge=BRIDGE + "[outputs.overlay]\n")
    for target in (str(tmp_path / LONG), str(tmp_path / LONG / "x")):
        assert main(["overlay-boot", str(path), target]) == 2
        assert capsys.readouterr().err.startswith(f"lowhalf: {target}: ")


def test_arguments_that_cannot_be(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = str(write(tmp_path))
    for arguments, code in (
        (["check", LONG], 2),
        (["read", path, "--dump", LONG], 3),
        (["layout", "compare", path, LONG], 2),
        (["solve", "turn", "--from", "0", "--to", "1", "--moves", LONG], 2),
        (["attach", LONG], 2),
    ):
        assert main(arguments) == code
        assert LONG in capsys.readouterr().err
