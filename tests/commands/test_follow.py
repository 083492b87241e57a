"""``[plan]`` in a bridge file, with the commands that read one: on the demo game's dumps."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from mcap.reader import make_reader

from adapters.commands.main import main

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_dumps"
CARRY = SAMPLES / "first-print-carry.bridge.toml"
Capture = pytest.CaptureFixture[str]


@pytest.fixture
def bridge(tmp_path: Path, capsys: Capture) -> Path:
    """A bridge of the demo game that names a plan for its first dump."""
    words = ["plan", str(CARRY), "--want", "gull", "--at", "0x802003D0"]
    assert main([*words, "--save", str(tmp_path / "gull.plan.toml")]) == 0
    text = CARRY.read_text("utf-8").replace('"../', f'"{ROOT.as_posix()}/')
    text = text.replace('path = "', f'path = "{SAMPLES.as_posix()}/')
    path = tmp_path / "follow.bridge.toml"
    path.write_text(f'{text}\n[plan]\nfile = "gull.plan.toml"\n', "utf-8")
    capsys.readouterr()
    return path


def test_read_says_which_step_is_next(bridge: Path, capsys: Capture) -> None:
    assert main(["read", str(bridge)]) == 0
    last = capsys.readouterr().out.splitlines()[-1]
    assert last == "plan gull: step 1 of 3: throw_lantern (18 frames)"
    dump = str(SAMPLES / "export-carry.bin.gz")
    main(["read", str(bridge), "--dump", dump])
    assert (
        capsys.readouterr()
        .out.splitlines()[-1]
        .endswith("plan gull was made for first-print, not for export")
    )


def test_every_command_that_reads_a_bridge_goes_on(
    bridge: Path, tmp_path: Path, capsys: Capture
) -> None:
    layout = str(tmp_path / "x.layout.toml")
    for words in (
        ["check", str(bridge)],
        ["explain", str(bridge), "held_x_low"],
        ["explain", str(bridge), 'plan("gull")'],
        ["heap", str(bridge)],
        ["layout", "save", str(bridge), layout],
        ["layout", "compare", str(bridge), layout],
        ["where", str(bridge), "0x802003FE"],
        ["plan", str(bridge), "--want", "gull", "--at", "0x802003D0"],
    ):
        assert main(words) == 0, words
    assert main(["read", str(bridge), "--watch", 'plan("gul")']) == 2
    assert "unknown plan gul; did you mean gull?" in capsys.readouterr().err


def test_a_recording_made_with_a_plan_holds_it(
    bridge: Path, tmp_path: Path, capsys: Capture
) -> None:
    text = bridge.read_text("utf-8")
    text = text.replace('kind = "file"', 'kind = "recording"\npace = "all"\nrepeat = false')
    bridge.write_text(text.replace("first-print-carry.bin.gz", "demo.mcap"), "utf-8")
    out = tmp_path / "out.mcap"
    assert main(["record", str(bridge), str(out)]) == 0
    (tmp_path / "gull.plan.toml").unlink()
    # outside reference: MCAP's own library
    with out.open("rb") as file:
        names = [each.name for each in make_reader(file).iter_attachments()]
    assert "gull.plan.toml" in names
    capsys.readouterr()
    # outside reference: the game's own script, which says when the courier goes through a door
    watches = ["--watch", 'plan("gull")', "--watch", "room", "--watch", "frame"]
    assert main(["query", str(out), *watches]) == 0
    rows = list(csv.DictReader(capsys.readouterr().out.splitlines()))
    assert len(rows) > 1_000
    room = {row["room"] for row in rows if row['plan("gull")'] == "0"}
    assert room == {"Lantern Room"}
    assert {row['plan("gull")'] for row in rows if row["room"] != "Lantern Room"} == {"-1"}
    assert main(["read", str(bridge), "--dump", str(out), "--json"]) == 2  # its file is gone
    assert "there is no file" in capsys.readouterr().err
