"""Replaying: a recording that is not repeated ends, and so does the program."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from adapters.commands.main import main
from tests.commands import files
from tests.commands.command import lowhalf

ROOT = Path(__file__).parent.parent.parent


def test_a_recording_that_is_not_repeated_ends_with_0(tmp_path: Path) -> None:
    samples = ROOT / "sample_dumps"
    text = (samples / "demo.bridge.toml").read_text("utf-8").split("[outputs")[0]
    text = text.replace("../schemas", (ROOT / "schemas").as_posix())
    for name in ("demo.mcap", "demo.layout.toml"):
        text = text.replace(f'"{name}"', f'"{(samples / name).as_posix()}"\n')
    text = text.replace('kind = "recording"', 'kind = "recording"\nspeed = 20\nrepeat = false')
    path = tmp_path / "once.bridge.toml"
    path.write_text(text, "utf-8")
    done = lowhalf("run", str(path), "--json", "--stats")
    assert done.returncode == 0, done.stderr
    assert "recording demo.mcap: has ended" in done.stderr
    assert "is back" not in done.stderr
    last = json.loads(done.stdout.splitlines()[-1])
    assert last["frame"] >= 1199


def test_read_says_what_its_source_notes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bridge = files.BRIDGE.replace('path = "t.bin"', 'path = "t.bin"\nbyte_order = "swap32"')
    bridge = bridge.replace("[source]", 'build = "first-print"\n[source]')
    main(["read", str(files.write(tmp_path, bridge=bridge))])
    assert (
        "lowhalf: file t.bin: byte_order is swap32, but first-print is recognised in big; "
        "swap32 is used as declared\n"
    ) in capsys.readouterr().err


def test_another_dump_is_read_as_the_first_one_was(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bridge = files.BRIDGE.replace('path = "t.bin"', 'path = "t.bin"\noffset = 16')
    path = files.write(tmp_path, bridge=bridge)
    (tmp_path / "other.bin").write_bytes(bytes(16) + bytes(files.ram()))
    assert main(["read", str(path), "--dump", str(tmp_path / "other.bin")]) == 0
    assert "lantern" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("expression", "message"),
    [
        ("couriers", "unknown name couriers; did you mean courier?"),
        ("__class__", "unknown name __class__"),
    ],
)
@pytest.mark.parametrize("command", ["read", "explain"])
def test_a_wrong_name_is_told_as_one(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    command: str,
    expression: str,
    message: str,
) -> None:
    words = [command, str(files.write(tmp_path))]
    words += ["--watch", expression] if command == "read" else [expression]
    assert main(words) == 2
    error = capsys.readouterr().err
    assert message in error
    assert "circle" not in error


def test_explain_shows_what_an_address_is_computed_from(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = files.write(tmp_path)
    assert main(["explain", str(path), 'at(courier.held + 44, "u32")']) == 0
    text = capsys.readouterr().out
    assert "courier.held holds" in text
    assert "u32, at a computed address" in text
    assert "where first-print places it" in text
    assert main(["explain", str(path), "courier.held[courier.held.kind].kind"]) == 0
    assert "+ 2 × 1A0" in capsys.readouterr().out


def test_bytes_that_tell_a_build_must_be_in_a_region(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = files.write(tmp_path)
    schema = tmp_path / "t.schema.toml"
    schema.write_text(schema.read_text("utf-8").replace("0x8000_0400", "0x9000_0400", 1))
    assert main(["check", str(path)]) == 2
    assert "0x90000400 is outside every region" in capsys.readouterr().err
