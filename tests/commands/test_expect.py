"""``--expect``: what a script can tell from the exit code alone."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from adapters.commands.main import main
from tests.commands import files

SAMPLES = Path(__file__).parents[2] / "sample_dumps"
HOLD = str(SAMPLES / "first-print-stale-hold.bridge.toml")


@pytest.mark.parametrize(
    ("expression", "told"),
    [
        ("courier.kind == ActorKind.courier", ""),
        ("courier.kind", ""),
        ("low_x", ""),
        ("courier.kind == ActorKind.lantern", "is false"),
        ("courier.held == 0", "is false"),
        ("courier.held.held.kind", "null: courier.held.held is null"),
        ("1 // (courier.kind - 1)", "error: 1 // (courier.kind - 1): division by zero"),
    ],
)
@pytest.mark.parametrize("json_too", [False, True])
def test_each_failure_is_told_with_its_watch(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    expression: str,
    told: str,
    json_too: bool,
) -> None:
    words = ["read", str(files.write(tmp_path)), "--watch", expression, "--expect"]
    assert main(words + ["--json"] * json_too) == (1 if told else 0)
    printed = capsys.readouterr()
    assert printed.err == (f"lowhalf: file t.bin: {expression}: {told}\n" if told else "")
    if json_too:
        assert json.loads(printed.out)["readings"][0]["watch"] == expression


def test_a_missed_target(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bridge = files.BRIDGE.replace("0xF3B6", "0xF3B9").replace(
        'expr = "courier.held.kind"\n',
        'expr = "courier.held.kind"\ntarget = { equals = "courier" }\n',
    )
    path = str(files.write(tmp_path, bridge=bridge))
    assert main(["read", path, "--expect"]) == 1
    assert capsys.readouterr().err.splitlines() == [
        "lowhalf: file t.bin: low_x: the target is missed, +3 to go",
        "lowhalf: file t.bin: kind: the target is missed, wants courier",
    ]
    assert main(["explain", path, "low_x", "--expect"]) == 1
    assert capsys.readouterr().err == (
        "lowhalf: file t.bin: low_x: the target is missed, +3 to go\n"
    )
    # without it, as ever: there are values
    assert main(["read", path]) == 0
    assert main(["explain", path, "low_x"]) == 0


def test_a_false_that_is_wanted_is_no_failure(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    watch = '[[watches]]\nname = "empty"\nexpr = "courier.held == 0"\n'
    path = str(files.write(tmp_path, bridge=files.BRIDGE + watch))
    assert main(["read", path, "--expect"]) == 1
    assert capsys.readouterr().err == "lowhalf: file t.bin: empty: is false\n"
    watch += "target = { equals = false }\n"
    path = str(files.write(tmp_path, bridge=files.BRIDGE + watch))
    assert main(["read", path, "--expect"]) == 0
    assert capsys.readouterr().err == ""


@pytest.mark.parametrize("command", [["read", HOLD, "--watch"], ["explain", HOLD]])
def test_a_warning_beside_a_value(command: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*command, "held_x_low"]) == 0
    capsys.readouterr()
    assert main([*command, "held_x_low", "--expect"]) == 1
    assert capsys.readouterr().err == (
        "lowhalf: file first-print-stale-hold.bin.gz: held_x_low: freed: "
        "courier.held points into a free block (block 2)\n"
    )


def test_explain_of_a_false_expression(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = str(files.write(tmp_path))
    assert main(["explain", path, "courier.held == 0", "--expect"]) == 1
    assert capsys.readouterr().err == "lowhalf: file t.bin: courier.held == 0: is false\n"
    assert main(["explain", path, "courier.held != 0", "--expect"]) == 0


def test_of_several_dumps_each_is_judged(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = str(files.write(tmp_path))
    (tmp_path / "empty.bin").write_bytes(bytes(files.ram(held=0)))
    dumps = [w for name in ("t.bin", "empty.bin") for w in ("--dump", str(tmp_path / name))]
    assert main(["read", path, *dumps, "--watch", "courier.held != 0", "--expect"]) == 1
    assert capsys.readouterr().err == "lowhalf: file empty.bin: courier.held != 0: is false\n"
