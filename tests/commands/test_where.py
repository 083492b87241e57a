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
    assert list(found) == ["path", "type", "half", "build", "block"]
    assert found == {
        "path": "courier.position.x",
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
