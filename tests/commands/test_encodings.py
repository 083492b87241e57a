"""What is printed where a stream has fewer signs than Unicode, and files that editors saved so.

Python's own codecs are what the printed bytes are held against.
"""

from __future__ import annotations

import codecs
import io
from pathlib import Path

import pytest

from adapters.commands.console.encodings import ESCAPED, QUESTIONED, encoding_of
from schemas.errors import BridgeFileError
from schemas.loader import load_bridge
from tests.commands import files
from tests.commands.command import Running
from tests.commands.warm_start import ROOT

SAMPLE = str(ROOT / "sample_dumps" / "second-print-carry.bridge.toml")
GAME = str(ROOT / "schemas" / "games" / "tidewright.schema.toml")


class Console(io.TextIOWrapper):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("said", "of_a_pipe", "of_a_console"),
    [
        ({}, "utf-8", "cp850"),
        ({"PYTHONIOENCODING": ""}, "utf-8", "cp850"),
        ({"PYTHONIOENCODING": ":strict"}, "utf-8", "cp850"),
        # the interpreter has made the stream of it
        ({"PYTHONIOENCODING": "cp850"}, "cp850", "cp850"),
        ({"PYTHONIOENCODING": "cp850:replace"}, "cp850", "cp850"),
    ],
)
def test_a_pipe_is_utf_8_on_windows_unless_somebody_says_otherwise(
    said: dict[str, str], of_a_pipe: str, of_a_console: str
) -> None:
    pipe = io.TextIOWrapper(io.BytesIO(), encoding="cp850")
    assert encoding_of(pipe, windows=True, environment=said) == of_a_pipe
    console = Console(io.BytesIO(), encoding="cp850")
    assert encoding_of(console, windows=True, environment=said) == of_a_console
    assert encoding_of(pipe, windows=False, environment=said) == "cp850"
    assert encoding_of(None, windows=True, environment=said) == "utf-8"


@pytest.mark.parametrize(
    ("encoding", "questioned", "escaped"),
    [
        ("ascii", "a - x  deg +- - ... -> ?", r"a - x  deg +- - ... -> \u706f"),
        ("cp1252", "a · × ° ± - … -> ?", r"a · × ° ± - … -> \u706f"),
        ("cp437", "a · x ° ± - ... -> ?", r"a · x ° ± - ... -> \u706f"),
        ("cp932", "a - × ° ± － … → 灯", "a - × ° ± － … → 灯"),
        ("utf-8", "a · × ° ± − … → 灯", "a · × ° ± − … → 灯"),
    ],
)
def test_signs_that_are_not_there_look_alike(encoding: str, questioned: str, escaped: str) -> None:
    text = "a · × ° ± − … → 灯"
    assert text.encode(encoding, QUESTIONED).decode(encoding) == questioned
    assert text.encode(encoding, ESCAPED).decode(encoding) == escaped


COMMANDS = {
    "read": ["read", SAMPLE],
    "explain": ["explain", SAMPLE, "held_kind"],
    "heap": ["heap", SAMPLE],
    "check": ["check", SAMPLE],
    "where": ["where", SAMPLE, "0x801A1320"],
    "turn": ["solve", "turn", "--from", "0x1234", "--to", "-0x4000", "--moves", GAME],
    "run": ["run", SAMPLE, "--seconds", "1"],
}


def printed(words: list[str], encoding: str, folder: Path) -> bytes:
    path = folder / encoding
    with (
        path.open("wb") as out,
        Running(*words, stdout=out.fileno(), environment={"PYTHONIOENCODING": encoding}) as command,
    ):
        assert command.process.wait(60) == 0, command.logged
    return path.read_bytes()


OTHERS = [
    "ascii",
    *(pytest.param(code, marks=pytest.mark.full) for code in ("cp437", "cp1252", "cp932")),
]


@pytest.mark.parametrize("words", COMMANDS.values(), ids=COMMANDS)
@pytest.mark.parametrize("encoding", OTHERS)
def test_every_command_prints_the_same_in_every_encoding(
    words: list[str], encoding: str, tmp_path: Path
) -> None:
    text = printed(words, "utf-8", tmp_path).decode()
    assert "?" not in text
    found = printed(words, encoding, tmp_path)
    expected = text.encode(encoding, QUESTIONED).decode(encoding)
    assert found.decode(encoding).split() == expected.split()
    assert b"?" not in found


@pytest.mark.parametrize("begin", [b"", codecs.BOM_UTF8], ids=["", "mark"])
@pytest.mark.parametrize("end", [b"\n", b"\r\n"], ids=["LF", "CRLF"])
def test_files_as_editors_on_windows_save_them(tmp_path: Path, begin: bytes, end: bytes) -> None:
    path = files.write(tmp_path)
    for each in tmp_path.glob("*.toml"):
        each.write_bytes(begin + each.read_bytes().replace(b"\r\n", b"\n").replace(b"\n", end))
    assert load_bridge(path).file.watches
    lines = path.read_bytes().split(end)
    wrong = next(n for n, line in enumerate(lines) if line.startswith(b"[[watches]]"))
    lines.insert(wrong + 1, b"colour = 1")
    path.write_bytes(end.join(lines))
    with pytest.raises(BridgeFileError, match="unknown key") as caught:
        load_bridge(path)
    assert caught.value.line == wrong + 2


@pytest.mark.parametrize("which", ["bridge", "schema"])
@pytest.mark.parametrize(
    ("encoding", "words"),
    [
        ("cp1252", r":1: is not UTF-8 text: byte 4 is 0xFC, as in an old code page; save it as"),
        ("cp437", r":1: is not UTF-8 text: byte 4 is 0x81, as in an old code page; save it as"),
        ("utf-16", r": is not UTF-8 text: byte 0, it is UTF-16; save it as UTF-8"),
    ],
)
def test_a_file_in_another_encoding(tmp_path: Path, which: str, encoding: str, words: str) -> None:
    path = files.write(tmp_path)
    (wrong,) = tmp_path.glob(f"*.{which}.toml")
    wrong.write_bytes(("#  für\n" + wrong.read_text("utf-8")).encode(encoding))
    with Running("check", str(path)) as command:
        assert command.process.wait(60) == 2
        assert words in command.wait_for("UTF-8")
