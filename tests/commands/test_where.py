"""``lowhalf where``: from an address to symbol, field, half and block."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from adapters.commands.main import main
from tests.commands import files

SAMPLES = Path(__file__).parents[2] / "sample_dumps"
COURIER = files.BASE + files.COURIER


def where(capsys: pytest.CaptureFixture[str], *words: str) -> Any:
    assert main(["where", *words, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_json_has_the_keys_that_other_programs_rely_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = str(files.write(tmp_path))
    found = where(capsys, path, hex(COURIER + 0x2E))
    assert list(found) == ["path", "paths", "type", "half", "build", "block"]
    assert found == {
        "path": "courier.position.x",
        "paths": ["courier.position.x"],
        "type": "f32",
        "half": "low",
        "build": "first-print",
        "block": None,
    }


@pytest.mark.parametrize("address", [COURIER + 0x2E, COURIER + 0x2000_002E])
def test_decimal_addresses_and_mirrors(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], address: int
) -> None:
    assert where(capsys, str(files.write(tmp_path)), str(address))["path"] == "courier.position.x"


def test_what_a_pointer_leads_to(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = files.write(tmp_path)
    address = f"0x{files.BASE + files.LANTERN + 0x2E:X}"
    assert where(capsys, str(path), address)["path"] == "courier.held.position.x"
    other = tmp_path / "other.bin"
    other.write_bytes(bytes(files.ram(held=0)))
    assert where(capsys, str(path), address, "--dump", str(other))["path"] is None


@pytest.mark.parametrize("build", ["first-print", "second-print", "export"])
def test_the_way_back_from_what_explain_gives(
    capsys: pytest.CaptureFixture[str], build: str
) -> None:
    path = str(SAMPLES / f"{build}-carry.bridge.toml")
    for text in ("low(courier.held.position.x)", "high(courier.satchel[3].due_frame)"):
        assert main(["explain", path, text, "--json"]) == 0
        address = json.loads(capsys.readouterr().out)[-1]["address"]
        found = where(capsys, path, str(address))
        assert (f"{found['half']}({found['path']})", found["build"]) == (text, build)


def test_the_block_of_the_heap_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    path = str(SAMPLES / "first-print-stale-mist.bridge.toml")
    assert where(capsys, path, "0x802003FE")["block"] == {
        "index": 2,
        "owner": "gull",
        "start": 0x802003D0,
        "size": 0x1D0,
        "used": True,
        "offset": 0x2E,
    }
    # behind the end of what the pointer's type holds, but not of what lives there
    found = where(capsys, path, "0x80200588")
    assert found["path"] == 'at(0x802003D0, "Gull").bank'
    assert main(["where", path, "0x802003FE"]) == 0
    assert capsys.readouterr().out == (
        "0x802003FE  first-print  low half of courier.held.position.x; block 2, gull  "
        "(f32 at 0x802003FC)\n"
    )


def test_a_byte_that_several_fields_share_is_told_with_all_of_them(
    capsys: pytest.CaptureFixture[str],
) -> None:
    path = str(SAMPLES / "first-print-carry.bridge.toml")
    assert main(["explain", path, "address(courier.satchel[0])", "--json"]) == 0
    parcel = json.loads(capsys.readouterr().out)[-1]["value"]
    # bit-fields: three of a parcel's in one byte
    found = where(capsys, path, str(parcel + 0xA))
    fields = [f"courier.satchel[0].{name}" for name in ("fragile", "wet", "postage")]
    assert (found["path"], found["paths"]) == (fields[0], fields)
    assert main(["where", path, str(parcel + 0xA)]) == 0
    at = f"at 0x{parcel + 0xA:08X}"
    assert capsys.readouterr().out == (
        f"0x{parcel + 0xA:08X}  first-print  {', '.join(fields)}  "
        f"(u16 bits 15 to 15 {at}, u16 bits 14 to 14 {at}, u16 bits 8 to 13 {at})\n"
    )
    # a union: the same bytes as a word, as halves and as bytes
    token = parcel - 0xBC + 0x62
    assert where(capsys, path, str(token))["paths"] == [
        "courier.token_bytes[2]",
        "courier.token_low",
        "courier.token",
    ]
    assert main(["where", path, str(token)]) == 0
    assert (
        "courier.token_bytes[2], courier.token_low, low half of courier.token  (u8 at "
        in capsys.readouterr().out
    )
    # behind a pointer, and in what lives in a block
    stale = str(SAMPLES / "first-print-stale-mist.bridge.toml")
    assert where(capsys, stale, "0x802003E8")["paths"] == ["courier.held.hue", "courier.held.shade"]


def test_a_line_tells_of_many_names_how_many_more_there_are(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = files.write(tmp_path)
    schema = tmp_path / "t.schema.toml"
    bits = "".join(
        f'b{n} = {{ at = 0x200, type = "u16", bits = [{n}, 12] }}\n' for n in range(4)
    ) + "".join(f'c{n} = {{ at = 0x200, type = "u16", bits = [{n}, 9] }}\n' for n in range(8))
    text = schema.read_text("utf-8").replace("size = 0x1A0", "size = 0x202")
    schema.write_text(text.replace("held = {", bits + "held = {"), "utf-8")
    address = hex(COURIER + 0x201)
    assert len(where(capsys, str(path), address)["paths"]) == 12
    assert main(["where", str(path), address]) == 0
    assert ", courier.c3, 4 more  (u16 bits 0 to 11 at " in capsys.readouterr().out


def test_a_stale_pointer_still_tells(capsys: pytest.CaptureFixture[str]) -> None:
    path = str(SAMPLES / "first-print-stale-hold.bridge.toml")
    found = where(capsys, path, "0x802003FE")
    assert (found["path"], found["block"]["used"]) == ("courier.held.position.x", False)


def test_a_named_build_needs_no_source_for_a_symbol(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = files.write(tmp_path)
    (tmp_path / "t.bin").unlink()
    found = where(capsys, str(path), "0x8000182E", "--build", "export")
    assert (found["path"], found["build"]) == ("courier.position.x", "export")
    assert capsys.readouterr().err == ""


def test_without_a_source_every_build_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = files.write(tmp_path)
    (tmp_path / "t.bin").unlink()
    assert main(["where", str(path), "0x8000182E"]) == 0
    printed = capsys.readouterr()
    assert printed.out.splitlines() == [
        "0x8000182E  first-print  nothing that is known",
        "0x8000182E  export       low half of courier.position.x  (f32 at 0x8000182C)",
    ]
    assert printed.err.startswith("lowhalf: only symbols are known, not what pointers lead to: ")
    # as JSON, the first build that has something there
    assert where(capsys, str(path), "0x8000182E")["build"] == "export"


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["0x24"], "0x00000024 is outside every region: ram is 0x80000000 to 0x80003FFF, also at"),
        (["0x80001000", "--build", "exprt"], "the schema has no build exprt; did you mean export?"),
    ],
)
def test_refusals(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], message: str
) -> None:
    assert main(["where", str(files.write(tmp_path)), *words]) == 2
    assert message in capsys.readouterr().err


@pytest.mark.parametrize("address", ["courier", "-4", "0x1_0000_0000_0000_0000", ""])
def test_what_is_no_address(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], address: str
) -> None:
    with pytest.raises(SystemExit) as left:
        main(["where", str(files.write(tmp_path)), address])
    assert left.value.code == 2
    assert "argument ADDRESS: " in capsys.readouterr().err
