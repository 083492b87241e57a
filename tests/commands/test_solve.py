"""``lowhalf solve``: half, turn, hex and write, as text and as the JSON that programs rely on."""

from __future__ import annotations

import io
import json
import struct
import sys
from pathlib import Path
from typing import Any

import pytest

from adapters.commands.main import main
from tests.commands import files

SAMPLES = Path(__file__).parents[2] / "sample_dumps"
GAME = Path(__file__).parents[2] / "schemas" / "games" / "tidewright.schema.toml"
MOVES = """
[moves.quarter]
add = 0x4000
frames = 8
[moves.lean]
add = "-0x0100"
frames = 3
limit = 2
[moves.sea]
set = 0x1000
frames = 20
"""


def answer(capsys: pytest.CaptureFixture[str], *words: str) -> Any:
    assert main([*words, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def refusal(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """What is said of wrong arguments, on standard error with exit code 2."""
    try:
        code = main(list(words))
    except SystemExit as left:
        code = int(str(left.code))
    printed = capsys.readouterr()
    assert code == 2
    assert printed.out == ""
    assert "Traceback" not in printed.err
    return printed.err.splitlines()[-1]


# half


def test_half_json_has_the_keys_that_other_programs_rely_on(
    capsys: pytest.CaptureFixture[str],
) -> None:
    found = answer(
        capsys, "solve", "half", "--want", "0x2B6D", "--from", "29", "--to", "30", "--near", "29.5"
    )
    values = [
        struct.unpack(">f", struct.pack(">I", 0x41E8_2B6D + n * 0x10000))[0] for n in range(8)
    ]
    assert found == {
        "count": 8,
        "spacing": 0.125,
        "below": values[3],
        "above": values[4],
        "values": values,
    }
    assert list(found) == ["count", "spacing", "below", "above", "values"]


def test_half_of_a_value_that_is_one_is_itself(capsys: pytest.CaptureFixture[str]) -> None:
    found = answer(capsys, "solve", "half", "--want", "0", "--near", "1.5", "--limit", "0")
    assert (found["below"], found["above"], found["values"]) == (1.5, 1.5, [])
    assert found["count"] == 2 * 0x7F80


@pytest.mark.parametrize("want", ["11117", "0x2b6d", "0X2B6D"])
def test_half_takes_decimal_and_hexadecimal(capsys: pytest.CaptureFixture[str], want: str) -> None:
    found = answer(capsys, "solve", "half", "--want", want, "--from", "-0x10", "--to", "-1e1")
    assert found["count"] == 96
    # 0xC17F2B6D: from 8 to below 16 the last place is 2^-20 (IEEE 754-2019 3.4)
    assert found["values"][0] == -0xFF2B6D / 2**20


def test_half_counts_both_zeros_and_a_bound_that_is_no_f32(
    capsys: pytest.CaptureFixture[str],
) -> None:
    words = ("solve", "half", "--want", "0", "--from")
    assert answer(capsys, *words, "0", "--to", "0")["count"] == 2
    # 65,536 times the least subnormal is the next one with that half, and this is just below
    below = "9.18354961579912115600575419704879435795832466228193376178712270530013483949005603"
    assert answer(capsys, *words, "1e-60", "--to", f"{below}e-41")["count"] == 0
    assert answer(capsys, *words, "1e-60", "--to", "9.183549615799122e-41")["count"] == 1


def test_half_as_text(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["solve", "half", "--want", "0x2B6D", "--from", "29", "--to", "30", "--limit", "2"]
    assert main([*words, "--near", "29.5"]) == 0
    assert capsys.readouterr().out.splitlines() == [
        "low half 0x2B6D: 8 values from 29 to 30",
        "not above 29.5  29.396204  0x41EB2B6D  -0.103796 to go",
        "not below 29.5  29.521204  0x41EC2B6D  +0.021204 to go",
        "apart there     0.125",
        "a write makes   29.521204  0x41EC2B6D  of X with that low half",
        "",
        "  29.021204  0x41E82B6D",
        "  29.146204  0x41E92B6D",
        "  and 6 values more",
    ]


def test_half_far_beyond_every_double(capsys: pytest.CaptureFixture[str]) -> None:
    """Bounds may be as far out as they like, also where binary64 ends (IEEE 754-2019 3.3)."""
    assert main(["solve", "half", "--want", "0", "--near", "-1e350", "--limit", "0"]) == 0
    row = capsys.readouterr().out.splitlines()[2].split()
    assert row[3:] == ["-3.3895314e+38", "0xFF7F0000", "+1.00000e+350", "to", "go"]
    assert row[:3] == ["not", "below", "-1" + "0" * 350]
    bound = "9" * 330 + ".5"
    assert main(["solve", "half", "--want", "0x8000", "--from", bound]) == 0
    assert ": 0 values from 1.0000000" in capsys.readouterr().out


def test_high_half_as_text(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["solve", "half", "--want", "0x41EB", "--half", "high", "--limit", "1"]
    assert main([*words, "--to", "29.375", "--near", "1"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "high half 0x41EB: 1 value from -inf to 29.375"
    assert lines[1].split() == ["not", "above", "1", "none", "in", "the", "interval"]
    assert lines[-1] == "  29.375  0x41EB0000"


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--want", "0x10000"], "argument --want: a half is 0 to 0xFFFF, found 0x10000"),
        (["--want", "-1"], "argument --want: a half is 0 to 0xFFFF, found -1"),
        (
            ["--want", "2B6D"],
            'argument --want: expected a whole number in decimal or 0x form, found "2B6D"',
        ),
        (["--want", "1", "--from", "5", "--to", "-0x1"], "--from 5 is above --to -1"),
        (
            ["--want", "1", "--from", "nan"],
            'argument --from: expected a number in decimal or 0x form, found "nan"',
        ),
        (["--want", "1", "--near", "-inf"], "--near must be a finite number"),
        (["--want", "1", "--limit", "-1"], "argument --limit: expected 0 to 1000000, found -1"),
    ],
)
def test_half_refuses(capsys: pytest.CaptureFixture[str], words: list[str], message: str) -> None:
    assert message in refusal(capsys, "solve", "half", *words)


# turn


@pytest.fixture
def moves(tmp_path: Path) -> str:
    path = tmp_path / "moves.toml"
    path.write_text(MOVES, "utf-8")
    return str(path)


def test_turn_json_has_the_keys_that_other_programs_rely_on(
    capsys: pytest.CaptureFixture[str], moves: str
) -> None:
    found = answer(capsys, "solve", "turn", "--from", "0", "--to", "0x7F00", "--moves", moves)
    way = {"frames": 19, "moves": ["quarter", "quarter", "lean"]}
    reached = {"angle": 0x7F00, "off": 0, "degrees": 0.0, **way}
    assert found == {
        "reachable": True,
        **way,
        "nearest": [0x7F00],
        "others": [],
        "reason": "",
        "start": 0,
        "to": 0x7F00,
        "turn": 0x7F00,
        "degrees": 0x7F * 360 / 256,
        "angle": 0x7F00,
        "off": 0,
        "closer": [],
        "below": reached,
        "above": reached,
    }


@pytest.mark.parametrize("start", ["-0x4000", "0xC000", "-16384", "49152"])
def test_turn_takes_negative_angles(
    capsys: pytest.CaptureFixture[str], moves: str, start: str
) -> None:
    found = answer(capsys, "solve", "turn", "--from", start, "--to", "-0x8000", "--moves", moves)
    assert (found["frames"], found["moves"]) == (24, ["quarter"] * 3)


def test_turn_that_cannot_be(capsys: pytest.CaptureFixture[str], moves: str) -> None:
    found = answer(capsys, "solve", "turn", "--from", "0", "--to", "0x1001", "--moves", moves)
    assert found == {
        "reachable": False,
        "frames": None,
        "moves": [],
        "nearest": [0x1000, 0x3E00],
        "others": [],
        "reason": "every turn is a multiple of 0x0100, and a turn of 0x1001 is none, "
        "nor is one from an angle that a move faces",
        "start": 0,
        "to": 0x1001,
        "turn": 0x1001,
        "degrees": 0x1001 * 360 / 65536,
        "angle": None,
        "off": None,
        "closer": [],
        "below": {
            "angle": 0x1000,
            "off": -1,
            "degrees": -360 / 65536,
            "frames": 20,
            "moves": ["sea"],
        },
        "above": {
            "angle": 0x3E00,
            "off": 0x2DFF,
            "degrees": 0x2DFF * 360 / 65536,
            "frames": 14,
            "moves": ["quarter", "lean", "lean"],
        },
    }


def test_turn_as_text(capsys: pytest.CaptureFixture[str], moves: str) -> None:
    assert main(["solve", "turn", "--from", "0", "--to", "0x5000", "--moves", moves]) == 0
    assert capsys.readouterr().out.splitlines() == [
        "from 0x0000 to 0x5000: +20480 units, +112.50°",
        "1. 28 frames  2 moves  sea, quarter",
    ]
    assert main(["solve", "turn", "--from", "0", "--to", "0x0300", "--moves", moves]) == 0
    assert capsys.readouterr().out.splitlines() == [
        "from 0x0000 to 0x0300: +768 units, +4.22°",
        "cannot be reached: the limits of the moves leave 24 angles, all of which were found",
        "24 angles can be; going down and up from 0x0300 the first are",
        "  0x0000  -768   -4.22°   0 frames   0 moves  none is needed",
        "  0x0E00  +2816  +15.47°  26 frames  3 moves  sea, 2 × lean",
    ]


def test_turn_of_one_frame_and_one_move(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "one.toml"
    path.write_text("[moves.lean]\nadd = 0x10\nframes = 1\nlimit = 1\n", "utf-8")
    assert main(["solve", "turn", "--from", "0", "--to", "0x10", "--moves", str(path)]) == 0
    assert capsys.readouterr().out.splitlines()[1] == "1. 1 frame  1 move  lean"


@pytest.mark.parametrize(
    ("encoding", "last"),
    [
        ("cp437", "1. 16 frames  2 moves  2 x quarter"),
        ("utf-8", "1. 16 frames  2 moves  2 × quarter"),
    ],
)
def test_signs_that_the_output_cannot_hold_are_replaced(
    monkeypatch: pytest.MonkeyPatch, moves: str, encoding: str, last: str
) -> None:
    """Code page 437 is what a redirected command has on many Windows systems: it has no ×."""
    held = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(held, encoding=encoding, newline="\n"))
    assert main(["solve", "turn", "--from", "0", "--to", "0x8000", "--moves", moves]) == 0
    sys.stdout.flush()
    assert held.getvalue().decode(encoding).splitlines()[:2] == [
        "from 0x0000 to 0x8000: -32768 units, -180.00°",
        last,
    ]


def test_turn_with_the_moves_of_a_schema(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["solve", "turn", "--from", "0x1234", "--to", "-0x4000", "--moves", str(GAME)]) == 0
    assert capsys.readouterr().out.splitlines() == [
        "from 0x1234 to 0xC000: -21044 units, -115.60°",
        "1. 42 frames  2 moves  face_sea, about_turn",
        "2. 45 frames  1 move   face_lamp",
        "3. 46 frames  3 moves  face_sea, 2 × quarter_left",
        "4. 46 frames  3 moves  face_sea, 2 × quarter_right",
    ]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (
            ["--from", "0x10000", "--to", "0"],
            "argument --from: an angle is -0xFFFF to 0xFFFF, found 0x10000",
        ),
        (["--from", "0", "--to", "north"], 'form, found "north"'),
        (["--from", "0", "--to", "0", "--moves", "gone.toml"], "gone.toml: cannot be read"),
    ],
)
def test_turn_refuses(
    capsys: pytest.CaptureFixture[str], moves: str, words: list[str], message: str
) -> None:
    assert message in refusal(capsys, "solve", "turn", "--moves", moves, *words)


# hex


def test_hex_shows_what_is_carried(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["solve", "hex", "0x8021FFF8", "0x138", "-0x1FFFF"]) == 0
    assert capsys.readouterr().out.splitlines() == [
        "        1 1 1 1     carried",
        "  8 0 2 1 F F F 8   2149711864",
        "+ 0 0 0 0 0 1 3 8   312",
        "= 8 0 2 2 0 1 3 0   0x80220130",
        "",
        "        1 1 1 1     borrowed from",
        "  8 0 2 2 0 1 3 0   2149712176",
        "- 0 0 0 1 F F F F   131071",
        "= 8 0 2 0 0 1 3 1   0x80200131",
    ]


def test_hex_json(capsys: pytest.CaptureFixture[str]) -> None:
    found = answer(capsys, "solve", "hex", "0x80180B60", "316")
    assert (found["result"], found["hex"]) == (0x80180C9C, "0x80180C9C")
    assert [step["sign"] + step["operand"] for step in found["steps"]] == ["+0000013C"]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["-1", "2"], "argument BASE: an address has at most 64 bits and no sign, found -1"),
        (["0x10", "-0x20"], "lowhalf: 0x10 - 0x20 is below 0"),
        (["0x10", "zz"], 'in decimal or 0x form, found "zz"'),
        (["0x10", *["1"] * 65], "lowhalf: expected at most 64 offsets"),
    ],
)
def test_hex_refuses(capsys: pytest.CaptureFixture[str], words: list[str], message: str) -> None:
    assert message in refusal(capsys, "solve", "hex", *words)


# write


def test_write_tells_of_the_field_under_a_stale_pointer(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The sample: a gull took the block of the lantern that the courier still holds."""
    path = str(SAMPLES / "first-print-stale-mist.bridge.toml")
    words = ("solve", "write", path, "courier.held.position.x", "--want", "0x2B6D")
    found = answer(capsys, *words)
    (change,) = found.pop("changes")
    block = found.pop("block")
    assert found == {
        "address": 0x802003FE,
        "half": "low",
        "want": 0x2B6D,
        "build": "first-print",
        "occupied": True,
    }
    assert (block["owner"], block["start"], block["offset"]) == ("gull", 0x802003D0, 0x2E)
    assert change["path"] == 'at(0x802003D0, "Gull").actor.position.x'
    assert (change["type"], change["half"]) == ("f32", "low")
    # what lowhalf read says of the same field, and its bits with the other half
    assert main(["read", path, "--json", "--watch", change["path"]]) == 0
    (reading,) = json.loads(capsys.readouterr().out)["readings"]
    assert reading["value"] == change["present"]
    (bits,) = struct.unpack(">I", struct.pack(">f", change["present"]))
    assert struct.pack(">f", change["after"]) == struct.pack(">I", bits & 0xFFFF0000 | 0x2B6D)


def test_write_into_a_free_block_is_nobodys(capsys: pytest.CaptureFixture[str]) -> None:
    path = str(SAMPLES / "first-print-stale-hold.bridge.toml")
    words = ["solve", "write", path, "high(courier.held.position.x)", "--want", "0x4000"]
    assert main(words) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[1:] == [
        "0x4000 as the high half of courier.held.position.x (f32) would go to 0x802003FC",
        "block 2, free, 0x2C bytes into it: nobody's, until it is handed out",
        "nothing that is known lies there; as courier.held.position.x sees it:",
        # 1.7 is 0x3FD9999A, and 0x4000999A is 2 + 0x999A * 2^-22
        "high half of courier.held.position.x  f32  1.7  becomes  2.009375",
    ]
    assert answer(capsys, *words)["occupied"] is False


def test_write_without_a_heap_finds_what_another_pointer_leads_to(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The courier holds what begins 8 bytes into another: the write goes to z, not to x."""
    data = files.ram(held=files.BASE + files.COURIER - 0x8)
    struct.pack_into(">f", data, files.COURIER + 0x34, 1.5)
    struct.pack_into(">f", data, files.COURIER + 0x24, 0.0)
    path = str(files.write(tmp_path, bytes(data)))
    found = answer(capsys, "solve", "write", path, "courier.held.position.z", "--want", "0xFFFF")
    assert found["block"] is None
    (change,) = found["changes"]
    assert (change["path"], change["half"]) == ("courier.position.x", "low")
    assert change["present"] == 0.0
    assert change["after"] == struct.unpack(">f", struct.pack(">I", 0xFFFF))[0]


def test_write_through_null_has_no_address(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = str(files.write(tmp_path, bytes(files.ram(held=0))))
    assert main(["solve", "write", path, "courier.held.position.x", "--want", "1"]) == 1
    printed = capsys.readouterr()
    assert printed.err == (
        "lowhalf: courier.held.position.x has no address: courier.held is null\n"
    )


@pytest.mark.parametrize(
    ("path", "message"),
    [
        ("1 + 1", "is not stored in memory, expected the path of a field"),
        ("courier.position", "is a whole Vec3; name a field: x, y, z"),
        ("courier.hld", "Actor has no field hld; did you mean held?"),
        ("len(courier)", "expected a list, as from chain(…)"),
    ],
)
def test_write_refuses(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], path: str, message: str
) -> None:
    assert main(["solve", "write", str(files.write(tmp_path)), path, "--want", "1"]) == 2
    assert message in capsys.readouterr().err


def test_write_of_a_named_half_and_another_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["solve", "write", str(files.write(tmp_path)), "low_x", "--want", "1"]
    assert main([*words, "--half", "high"]) == 2
    assert "is the low half, and --half says high" in capsys.readouterr().err
    assert main([*words, "--half", "low"]) == 0


def test_write_tells_of_every_field_that_shares_the_bytes(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """By the bits that gcc gives ``Parcel`` (``tests/guest/tidewright.h``)."""
    path = str(SAMPLES / "first-print-carry.bridge.toml")
    words = ["solve", "write", path, "courier.satchel[0].zone", "--want", "0x8081"]
    assert main(words) == 0
    rows = [line.split() for line in capsys.readouterr().out.splitlines()[2:]]
    assert [(row[0].rpartition(".")[2], row[-1]) for row in rows] == [
        ("fragile", "1"),
        ("wet", "0"),
        ("postage", "0"),
        ("zone", "129"),
    ]
