"""``lowhalf read``, ``explain`` and ``check`` on dumps, good and bad, with their exit codes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from adapters.commands.main import main
from tests.commands import files

ADDRESS = files.BASE + files.LANTERN + 0x2E


def test_read_prints_every_watch_with_value_target_and_address(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["read", str(files.write(tmp_path))]) == 0
    assert capsys.readouterr().out.splitlines() == [
        "frame 1 · build first-print · file t.bin · still",
        f"Written half  0xF3B6   hit  0x{ADDRESS:08X}",
        "kind          lantern       0x80002000",
    ]


def test_read_json_has_the_keys_that_other_programs_rely_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["read", str(files.write(tmp_path)), "--json"]) == 0
    frame = json.loads(capsys.readouterr().out)
    assert list(frame) == ["frame", "time", "build", "source", "consistency", "readings"]
    assert frame["consistency"] == "still"
    assert frame["readings"] == [
        {
            "watch": "low_x",
            "status": "ok",
            "value": 0xF3B6,
            "text": "0xF3B6",
            "address": ADDRESS,
            "target": "hit",
            "reason": "",
        },
        {
            "watch": "kind",
            "status": "ok",
            "value": 2,
            "text": "lantern",
            "address": files.BASE + files.LANTERN,
            "target": None,
            "reason": "",
        },
    ]


def test_read_of_other_expressions_and_another_dump(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = files.write(tmp_path)
    other = tmp_path / "other.bin"
    other.write_bytes(bytes(files.ram(held=0)))
    words = ["read", str(path), "--dump", str(other), "--json"]
    words += ["--watch", "courier.kind == ActorKind.courier", "--watch", "low_x"]
    assert main(words) == 1
    found = {r["watch"]: r for r in json.loads(capsys.readouterr().out)["readings"]}
    assert found["courier.kind == ActorKind.courier"]["value"] is True
    assert found["low_x"]["status"] == "null"
    assert found["low_x"]["value"] is None
    assert found["low_x"]["target"] == "unknown"
    assert found["low_x"]["reason"] == "courier.held is null"
    assert list(found) == ["low_x", "courier.kind == ActorKind.courier"]


def test_a_stored_nan_is_null_with_its_text(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = files.ram()
    data[files.LANTERN + 0x2C : files.LANTERN + 0x30] = bytes.fromhex("7FC00000")
    words = ["read", str(files.write(tmp_path, bytes(data))), "--json"]
    assert main([*words, "--watch", "courier.held.position.x"]) == 1
    (reading,) = json.loads(capsys.readouterr().out)["readings"]
    assert (reading["status"], reading["value"], reading["text"]) == ("error", None, "nan")
    assert reading["reason"] == "courier.held.position.x is not a number"


@pytest.mark.parametrize(
    ("held", "status", "reason"),
    [
        (0, "null", "courier.held is null"),
        (0x10, "unmapped", "courier.held.position.x: 0x0000003C is outside ram"),
        (
            files.BASE + files.LANTERN + 2,
            "misaligned",
            "courier.held.position.x: 0x8000202E is not a multiple of 4",
        ),
        (
            files.BASE + files.SIZE - 0x2C,
            "unmapped",
            "courier.held.position.x: 0x80004000 is outside ram",
        ),
    ],
)
def test_bad_pointers_are_statuses_with_the_step_that_failed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], held: int, status: str, reason: str
) -> None:
    path = files.write(tmp_path, bytes(files.ram(held)))
    assert main(["read", str(path), "--json", "--watch", "courier.held.position.x"]) == 1
    (reading,) = json.loads(capsys.readouterr().out)["readings"]
    assert (reading["status"], reading["reason"]) == (status, reason)


def test_a_short_dump_says_where_it_ends(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = files.write(tmp_path, bytes(files.ram()[: files.LANTERN + 0x10]))
    assert main(["read", str(path), "--json"]) == 1
    low, kind = json.loads(capsys.readouterr().out)["readings"]
    assert kind["text"] == "lantern"
    assert low["status"] == "unmapped"
    assert "0x8000202E" in low["reason"]


@pytest.mark.parametrize(
    ("change", "code", "words"),
    [
        (("t.bin", "gone.bin"), 3, "file gone.bin"),
        (("t.schema.toml", "gone.schema.toml"), 2, "t.bridge.toml:2: schema: there is no file"),
        (("low(courier.held", "low(courier.hld"), 2, "Actor has no field hld; did you mean held?"),
        (('kind = "file"', 'kind = "fle"'), 2, 'found "fle"; did you mean file?'),
        (("[[watches]]", "[[watchs]]"), 2, "watchs: unknown key; did you mean watches?"),
    ],
)
def test_errors_say_what_and_where(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    change: tuple[str, str],
    code: int,
    words: str,
) -> None:
    path = files.write(tmp_path, bridge=files.BRIDGE.replace(*change))
    assert main(["read", str(path)]) == code
    printed = capsys.readouterr()
    assert printed.out == ""
    assert words in printed.err
    assert printed.err.startswith("lowhalf: ")


def test_an_unknown_build_names_what_was_wanted_and_found(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = files.ram()
    data[0x400:0x408] = b"TIDE 9.9"
    assert main(["read", str(files.write(tmp_path, bytes(data)))]) == 3
    assert capsys.readouterr().err == (
        "lowhalf: file t.bin (raw): no build is recognised: "
        'first-print wants "TIDE 1.0" at 0x80000400, '
        'found "TIDE 9.9"; export wants "TIDE 2.0" at 0x80000400, found "TIDE 9.9"\n'
    )


@pytest.mark.parametrize("order", ["swap16", "swap32", "halfswap"])
def test_the_byte_order_is_found_by_the_recognise_bytes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], order: str
) -> None:
    lanes = {"swap16": (1, 0, 3, 2), "swap32": (3, 2, 1, 0), "halfswap": (2, 3, 0, 1)}[order]
    data, swapped = files.ram(), bytearray(files.SIZE)
    for place, lane in enumerate(lanes):
        swapped[place::4] = data[lane::4]
    assert main(["read", str(files.write(tmp_path, bytes(swapped))), "--json"]) == 0
    low, kind = json.loads(capsys.readouterr().out)["readings"]
    assert (low["value"], kind["text"]) == (0xF3B6, "lantern")


def test_explain_gives_the_sum_step_by_step(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["explain", str(files.write(tmp_path)), "low_x"]) == 0
    lines = [line.split() for line in capsys.readouterr().out.splitlines() if line]
    sums = [(words[-3], words[-2]) for words in lines if "+" in words]
    assert ["13C", "8000113C"] in [line[2:4] for line in lines]
    assert sums
    text = "\n".join(" ".join(line) for line in lines)
    for part in (
        "courier 80001000",
        ".held + 13C 8000113C",
        "courier.held holds 80002000",
        ".position + 2C 8000202C",
        "courier.held.position.x holds 3F9DF3B6 f32 1.234",
        "low + 2 8000202E",
        "low_x = 0xF3B6",
    ):
        assert part in text


def test_explain_names_the_step_that_fails(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = files.write(tmp_path, bytes(files.ram(held=0)))
    assert main(["explain", str(path), "low_x", "--json"]) == 1
    steps = json.loads(capsys.readouterr().out)
    assert [step["status"] for step in steps][:2] == ["ok", "ok"]
    assert all(step["reason"] == "courier.held is null" for step in steps[2:])


def test_check_prints_types_and_addresses_on_every_build(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bridge = files.BRIDGE + '[[watches]]\nname = "facing"\nexpr = "courier.facing"\n'
    path = files.write(tmp_path, bridge=bridge)
    (tmp_path / "t.bin").unlink()
    assert main(["check", str(path)]) == 0
    lines = [line.split() for line in capsys.readouterr().out.splitlines()]
    assert lines[1] == ["watch", "type", "first-print", "export"]
    assert lines[2] == ["low_x", "u16", "[8000113C]", "+", "2E", "[8000193C]", "+", "2E"]
    assert ["facing", "angle16", "0x800010B6", "0x800018B6"] in lines


@pytest.mark.parametrize("command", ["check", "read"])
def test_a_symbol_outside_every_region_is_refused_at_load(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], command: str
) -> None:
    path = files.write(tmp_path)
    schema = tmp_path / "t.schema.toml"
    text = schema.read_text("utf-8")
    assert "courier = 0x8000_1000" in text
    text = text.replace("courier = 0x8000_1000", "courier = 0x0000_1000")
    schema.write_text(text, "utf-8")
    rows = text.splitlines()
    number = next(n for n, row in enumerate(rows, 1) if "0x0000_1000" in row)
    assert main([command, str(path)]) == 2
    assert capsys.readouterr() == (
        "",
        f"lowhalf: {schema}:{number}: builds.first-print.at.courier: build first-print places "
        "courier at 0x00001000, which is outside every region; the nearest is ram, 0x80000000 to "
        "0x80003FFF\n",
    )


def test_sources_names_every_kind_and_every_setting(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sources"]) == 0
    text = capsys.readouterr().out
    for kind in ("file", "shared", "push", "recording", "fake"):
        assert f'kind = "{kind}"' in text
    assert "None" not in text
    assert "byte_order:" in text
