"""Paths of Windows in TOML: what is said where a backslash stands between double quotes.

Outside source: TOML 1.0.0, "String": which escapes there are, and that any other is an error.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from adapters.commands.main import main
from tests.commands.files import BRIDGE, write

HINT = (
    "; in double quotes a backslash begins an escape: write the path with / or in single quotes\n"
)


def said(tmp_path: Path, capsys: pytest.CaptureFixture[str], line: str) -> str:
    """What ``check`` says of a bridge file with that line as its path, without the file's name."""
    path = write(tmp_path, bridge=BRIDGE.replace('path = "t.bin"', line))
    assert main(["check", str(path)]) == 2
    message = capsys.readouterr().err
    assert message.startswith(f"lowhalf: {path}:")
    return message.removeprefix(f"lowhalf: {path}:")


@pytest.mark.parametrize(
    "path",
    [
        r"C:\dumps\new",
        r"C:\Users\courier\ram.bin",  # \U and eight digits are a character
        r"C:\ufo",
        r"\\pier\share\ram.bin",
        r"dumps\quay.bin",
        "C:\\temp\\",  # the quote is escaped
    ],
)
def test_what_is_no_toml_for_its_backslashes(
    path: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    message = said(tmp_path, capsys, f'path = "{path}"')
    assert message.startswith("5: is not TOML: ")
    assert message.endswith(HINT)


@pytest.mark.parametrize(
    ("path", "letter", "code"),
    [
        (r"C:\new\ram.bin", "n", 10),
        (r"C:\temp", "t", 9),
        (r"C:\boat", "b", 8),
        (r"C:\frames", "f", 12),
        (r"C:\raw", "r", 13),
    ],
)
def test_what_is_toml_and_not_what_was_meant(
    path: str, letter: str, code: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert said(tmp_path, capsys, f'path = "{path}"') == (
        f"5: source.path: holds what \\{letter} stands for in double quotes (character {code}): "
        "write the path with / or in single quotes\n"
    )


@pytest.mark.parametrize(
    "change",
    [
        ('schema = "t.schema.toml"', 'schema = "t\\new"', "2: schema: "),
        ('kind = "file"\npath = "t.bin"', 'kind = "serial"\nport = "\\temp"', "5: source.port: "),
        ("[[watches]]", '[layouts]\ngood = "\\fine"\n[[watches]]', "7: layouts.good.path: "),
    ],
)
def test_other_paths(
    change: tuple[str, str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before, after, where = change
    path = write(tmp_path, bridge=BRIDGE.replace(before, after, 1))
    assert main(["check", str(path)]) == 2
    assert capsys.readouterr().err.startswith(f"lowhalf: {path}:{where}holds what \\")


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ('path = "t.bin', "is not TOML: illegal character"),  # no backslash at all
        ("path = 'C:\\dumps\\new", 'is not TOML: expected "\'"'),  # not in double quotes
        ('path "C:\\\\dumps"', "is not TOML: expected '='"),  # another fault
    ],
)
def test_no_hint_where_it_is_no_backslash(
    line: str, message: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = said(tmp_path, capsys, line)
    assert found.partition(": ")[2].startswith(message)
    assert HINT not in found


@pytest.mark.parametrize("path", ["'C:\\dumps\\new'", '"C:/dumps/new"', '"C:\\\\dumps\\\\new"'])
def test_the_ways_that_are_right(path: str, tmp_path: Path) -> None:
    made = write(tmp_path, bridge=BRIDGE.replace('"t.bin"', path))
    assert main(["check", str(made)]) == 0
