"""``lowhalf by-hand``: the dialogue in the terminal, in JSON lines, and what it refuses."""

from __future__ import annotations

import io
import json
import time
import urllib.parse
import urllib.request
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from adapters.commands.json_schema import json_schema
from adapters.commands.main import main
from tests.commands.command import Running

SAMPLE = str(Path(__file__).parents[2] / "sample_dumps" / "first-print-carry.bridge.toml")
HELD = ["--build", "first-print", "--watch", "held_x_low", "--watch", "held_kind"]


def said(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    lines: list[str],
    *options: str,
) -> tuple[int, str, str]:
    """The exit code, and what was printed and told, with these lines on standard input."""
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in lines)))
    code = main(["by-hand", SAMPLE, *options])
    return code, *capsys.readouterr()


def test_a_dialogue(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    lines = ["802003D0", "9", "no", "lantern", "85D8"]
    code, out, _ = said(monkeypatch, capsys, lines, *HELD)
    assert code == 0
    assert (
        out
        == """
question 1: courier.held: a pointer to Actor
  for held_kind, held_x_low
  look at 8018 0C9C  4 bytes, shown as hexadecimal
  type 8 hexadecimal digits or fewer behind 0x
  taken as 0x802003D0

question 2: courier.held.kind: ActorKind
  for held_kind
  look at 8020 03D0  2 bytes, shown as hexadecimal
  type 4 hexadecimal digits, fewer behind 0x, a decimal number or a name
  0x0009 = 9 is odd: courier.held.kind: ActorKind has no 9: expected 1 (courier), 2 (lantern), \
3 (crate), 4 (gull), 5 (buoy) or 6 (mist_puff)
  does it really stand there? yes, or type what does
  not taken

question 2: courier.held.kind: ActorKind
  for held_kind
  look at 8020 03D0  2 bytes, shown as hexadecimal
  type 4 hexadecimal digits, fewer behind 0x, a decimal number or a name
  taken as 0x0002 = lantern
  held_kind = lantern at 8020 03D0

    8 0 2 0 0 3 D 0   courier.held holds
  + 0 0 0 0 0 0 2 C   .position.x
  = 8 0 2 0 0 3 F C
  + 0 0 0 0 0 0 0 2   bytes 2 to 3
  = 8 0 2 0 0 3 F E

question 3: courier.held.position.x: bytes 2 to 3 of f32
  for held_x_low
  look at 8020 03FE  2 bytes, shown as hexadecimal
  type 4 hexadecimal digits, fewer behind 0x or a decimal number
  taken as 0x85D8 = 34264
  held_x_low = 0x85D8 at 8020 03FE

held_kind   lantern  8020 03D0
held_x_low  0x85D8   8020 03FE

nothing more is asked; frame or room where the game has gone on, ? for more
"""
    )


def test_an_end_before_all_is_known(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = said(monkeypatch, capsys, ["802003D", "list", "skip", "?", "quit"], *HELD)
    assert code == 1
    assert "not taken: 802003D has 7 digits: expected 8 hexadecimal digits" in out
    assert "held_kind   skipped  8020" not in out
    assert "left out: held_kind, held_x_low" in out
    assert "undo            back to before the last answer" in out


def test_addresses(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = said(monkeypatch, capsys, ["802003D0"], *HELD, "--addresses")
    assert code == 0
    assert "held_x_low is at 8020 03FE" in out


def lines_of(out: str) -> list[dict[str, Any]]:
    validator = jsonschema.Draft202012Validator(json_schema("by-hand"))
    told = [json.loads(line) for line in out.splitlines()]
    for line in told:
        validator.validate(line)
    return told


def test_json_lines(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    lines = [
        "12345678",
        '{"correct": true}',
        '{"answer": "802003D0"}',
        "0002",
        '{"undo": true}',
        '{"changed": "sea"}',
        '{"turn": 1}',
        "{",
        "undo",
        "undo",
    ]
    code, out, _ = said(monkeypatch, capsys, lines, *HELD, "--json")
    assert code == 1
    told = lines_of(out)
    assert [line["outcome"] for line in told] == [
        *("", "doubted", "taken", "taken", "taken", "taken"),
        *("refused", "refused", "refused", "taken", "refused"),
    ]
    first = told[0]["question"]
    assert (first["address"], first["size"], first["show"]) == (0x8018_0C9C, 4, "hexadecimal")
    assert first["needed_by"] == ["held_kind", "held_x_low"]
    assert told[1]["doubt"] == {
        "words": "0x12345678",
        "why": "courier.held: 0x12345678 is outside ram (0x80000000 to 0x803FFFFF)",
    }
    assert told[4]["question"]["sum"] == {
        "base": "courier.held holds",
        "steps": [
            {
                "label": ".position.x",
                "before": "802003D0",
                "sign": "+",
                "operand": "0000002C",
                "carries": "        ",
                "after": "802003FC",
            },
            {
                "label": "bytes 2 to 3",
                "before": "802003FC",
                "sign": "+",
                "operand": "00000002",
                "carries": "        ",
                "after": "802003FE",
            },
        ],
    }
    assert told[6]["said"] == 'expected frame or room, found "sea"'
    assert told[10]["said"] == "nothing to undo: this is the start"


def test_the_build_is_asked_for_where_it_is_not_named(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = ["54 49 44 45 20 31 2E 30"]
    code, out, _ = said(monkeypatch, capsys, lines, "--watch", "facing", "--json")
    assert code == 1
    told = lines_of(out)
    assert [line["build"] for line in told] == [None, "first-print"]
    assert told[0]["question"]["hint"] == (
        'first-print has "TIDE 1.0", second-print has "TIDE 1.1", export has "TIDE 2.0"'
    )


def test_a_heap_is_typed_block_by_block_and_may_contradict_itself(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = [
        "80200000",
        "00 00 01 00 00 00 01 D0 80 20 01 E0 00 00 00 00",  # not the magic number of a block
        "7B 10 01 00 00 00 01 D0 00 00 00 00 00 00 00 00",  # the last one: nothing comes next
        "lantern",
        "2",
    ]
    options = ["--build", "first-print", "--watch", "len(blocks())", "--json"]
    code, out, _ = said(monkeypatch, capsys, lines, *options)
    told = lines_of(out)
    assert code == 0
    assert told[1]["question"]["words"] == "the header of a block of the heap: 16 bytes"
    assert told[2]["doubt"] is not None
    assert told[2]["doubt"]["why"] == (
        "len(blocks()): the heap is damaged: the first block, with its header at 0x80200000: "
        "block.magic == 0x7B10 is false"
    )
    assert (told[-1]["question"], told[-1]["reached"][0]["value"]) == (None, 1)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--build", "first-prnt"], "unknown build first-prnt; did you mean first-print?"),
        (["--page", "--json"], "--page shows all: leave out --json, --addresses and --watch"),
    ],
)
def test_it_refuses(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    options: list[str],
    words: str,
) -> None:
    code, _, told = said(monkeypatch, capsys, [], *options)
    assert (code, told) == (2, f"lowhalf: {words}\n")


def asked(url: str, what: str = "", text: str = "", revision: int = 0) -> dict[str, Any]:
    """What the daemon's page is given; *what* is said first."""
    query = urllib.parse.urlencode({"text": text, "revision": revision})
    path = f"{url}by-hand/{what}?{query}" if what else f"{url}by-hand.json"
    request = urllib.request.Request(path, method="POST" if what else "GET")
    with urllib.request.urlopen(request, timeout=20) as answer:
        told: dict[str, Any] = json.load(answer)
    return told


def low_half(url: str) -> dict[str, Any]:
    with urllib.request.urlopen(f"{url}frame.json", timeout=20) as answer:
        readings = json.load(answer)["readings"]
    return next(each for each in readings if each["watch"] == "held_x_low")


def test_the_page_is_served_by_a_daemon_whose_watches_follow() -> None:
    with Running(
        "by-hand", SAMPLE, "--build", "first-print", "--page", "--listen", "127.0.0.1:0"
    ) as daemon:
        daemon.wait_for("pages at ", seconds=120)  # a busy machine takes its time
        url = daemon.url()
        told = asked(url)
        answers = {0x8018_0C9C: "802003D0", 0x8020_03FC: "27.440353"}
        while len(told["answered"]) < len(answers):
            # what is not for the low half is left out
            text = answers.get(told["question"]["address"], "")
            told = asked(url, "answer" if text else "skip", text, told["revision"])
        end = time.monotonic() + 20
        while low_half(url)["status"] != "ok":
            assert time.monotonic() < end
            time.sleep(0.02)
        # source: 27.440353 is 0x41DB85D8 in binary32, by Python's struct
        assert low_half(url)["value"] == 0x85D8
        assert low_half(url)["address"] == 0x8020_03FE
        assert "lowhalf: typed: build first-print" in daemon.logged


def test_a_build_that_its_bytes_cannot_tell_has_to_be_named(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    schema = Path(SAMPLE).parents[1] / "schemas" / "games" / "tidewright.schema.toml"
    text = "".join(
        line
        for line in schema.read_text("utf-8").splitlines(keepends=True)
        if not line.startswith("recognise")
    )
    (tmp_path / "t.schema.toml").write_text(text, "utf-8")
    bridge = tmp_path / "t.bridge.toml"
    text = Path(SAMPLE).read_text("utf-8")
    bridge.write_text(text.replace("../schemas/games/tidewright", "t"), "utf-8")
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    assert main(["by-hand", str(bridge)]) == 2
    assert capsys.readouterr().err == (
        "lowhalf: the build cannot be told by its recognise bytes: name first-print or "
        "second-print or export with --build\n"
    )
    assert main(["by-hand", str(bridge), "--build", "export"]) == 1


def test_commands_that_read_once_say_that_a_person_types(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bridge = tmp_path / "typed.bridge.toml"
    text = Path(SAMPLE).read_text("utf-8")
    schema = Path(SAMPLE).parents[1] / "schemas" / "games" / "tidewright.schema.toml"
    text = text.replace("../schemas/games/tidewright.schema.toml", schema.as_posix())
    text = text.replace('kind = "file"\npath = "first-print-carry.bin.gz"', 'kind = "typed"')
    bridge.write_text(text, "utf-8")
    assert main(["read", str(bridge)]) == 2
    assert capsys.readouterr().err == (
        f"lowhalf: {bridge}: its memory is typed by a person: use by-hand, or give a dump with "
        "--dump\n"
    )
