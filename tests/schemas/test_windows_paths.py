"""Paths on Windows, decided without it: which name something else, and how long ones are opened.

Outside sources: "Naming Files, Paths, and Namespaces" of the Win32 documentation, whose rules stand
beside the cases; ``pathlib`` of Python 3.11, which keeps the list of devices; ``ntpath``.
"""

from __future__ import annotations

import ntpath
import string
import warnings
from collections.abc import Callable
from pathlib import Path, PureWindowsPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.windows_paths import LONGEST_PLAIN, openable, path_fault, unbounded

IS_RESERVED: Callable[[str], bool] | None = getattr(ntpath, "isreserved", None)
DEVICES = [
    *("CON", "PRN", "AUX", "NUL"),
    *(f"COM{digit}" for digit in "123456789¹²³"),
    *(f"LPT{digit}" for digit in "123456789¹²³"),
]
"""\"Do not use the following reserved names for the name of a file\"."""


@pytest.mark.parametrize("name", [*DEVICES, "CONIN$", "CONOUT$"])
def test_devices_are_no_files_in_any_folder_and_with_any_ending(name: str) -> None:
    for said in (name, name.lower(), f"{name}.bin", f"{name}.bin.gz", f"{name} .bin"):
        for path in (said, f"C:\\dumps\\{said}", f"C:/dumps/{said}", f"\\\\pier\\share\\{said}"):
            assert path_fault(path) == (
                f"{said} names a device on Windows: call the file otherwise"
            ), path
        # a folder cannot be called so either
        assert "names a device" in path_fault(f"{said}\\ram.bin")


@pytest.mark.parametrize(
    "path",
    [
        *("ram.bin", "dumps/ram.bin", "..\\ram.bin", ".\\ram.bin", ".", "..", ""),
        *("C:\\dumps\\ram.bin", "C:/dumps/ram.bin", "c:\\", "\\dumps\\ram.bin", "/dumps/ram.bin"),
        *("\\\\pier\\share\\ram.bin", "//pier/share/ram.bin"),
        *(
            "Lüchte/灯台.bin",
            "a name with spaces.bin",
            ".hidden",
            "a.b.c",
            "[x] {y}~1",
        ),
        *("console.bin", "nullify", "com", "com0", "com10", "lpt.bin", "auxiliary", "xnul", "nul_"),
        "\\\\?\\C:\\dumps\\nul",  # "turns off the automatic expansion of the path string"
        "\\\\?\\C:\\dumps\\ends with a dot.",
        "a\u00a0b",
    ],
)
def test_what_names_a_file(path: str) -> None:
    assert path_fault(path) == ""


@pytest.mark.parametrize("path", ["\\\\.\\COM10", "//./COM10", "\\\\.\\PhysicalDrive0"])
def test_the_namespace_of_devices(path: str) -> None:
    said = path.replace("/", "\\")
    assert path_fault(path) == f"{said} names a device on Windows: name a file"


@pytest.mark.parametrize("name", ["ram.bin.", "ram.bin ", "ram.", "ram. .", "...", "ram.bin.. "])
def test_an_end_that_windows_leaves_out(name: str) -> None:
    """\"Do not end a file or directory name with a space or a period.\""""
    words = f'"{name}" ends with a dot or a space, which Windows leaves out: rename it'
    assert path_fault(name) == path_fault(f"C:\\dumps\\{name}") == words
    assert path_fault(f"{name}\\ram.bin") == words


@pytest.mark.parametrize("letter", '<>:"|?*')
def test_letters_that_no_name_has(letter: str) -> None:
    """\"The following reserved characters\"."""
    assert path_fault(f"C:\\dumps\\a{letter}b") == (
        f"'a{letter}b' holds {letter}, which no name on Windows can"
    )


def test_characters_1_to_31() -> None:
    """\"Characters whose integer representations are in the range from 1 through 31\"."""
    for code in range(1, 32):
        assert f" holds character {code}, " in path_fault(f"a{chr(code)}b")


@pytest.mark.parametrize("path", ["D:ram.bin", "d:dumps\\ram.bin", "D:", "D:..\\ram.bin"])
def test_relative_to_a_drive(path: str) -> None:
    """\"If a file name begins with only a disk designator but not the backslash after …\"."""
    drive = path[:2]
    assert path_fault(path) == (
        f"{path} is relative to whatever folder is open on drive {drive} and not to the bridge "
        f"file: write {drive}\\ and the folders, or leave the drive out"
    )
    assert path_fault(path, drive_relative=True) == ""


NAMES = st.text(st.sampled_from([*"conulaxpm123¹.~ $:?éX", "\t", "灯"]), min_size=1, max_size=12)


@given(NAMES)
def test_devices_against_pathlib(name: str) -> None:
    """pathlib of 3.11 knows devices; of newer ones it is said to go."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        known = PureWindowsPath("C:/", "dumps").joinpath(name).is_reserved()
    if known:
        assert path_fault(f"C:\\dumps\\{name}") != ""


@pytest.mark.skipif(IS_RESERVED is None, reason="ntpath.isreserved is of Python 3.13")
@given(NAMES)
def test_all_of_it_against_ntpath(name: str) -> None:
    path = f"C:\\dumps\\{name}"
    assert IS_RESERVED is not None
    assert bool(path_fault(path)) == IS_RESERVED(path)


DEEP = "\\".join(["a folder of the courier's"] * 12)


@pytest.mark.parametrize(
    ("path", "opened"),
    [
        ("C:\\dumps\\ram.bin", "C:\\dumps\\ram.bin"),
        (f"C:\\{DEEP}\\ram.bin", f"\\\\?\\C:\\{DEEP}\\ram.bin"),
        # "\\?\" has no ".", no ".." and no "/"
        (f"C:/{DEEP}/x/.././ram.bin", f"\\\\?\\C:\\{DEEP}\\ram.bin"),
        (f"\\\\pier\\share\\{DEEP}\\ram.bin", f"\\\\?\\UNC\\pier\\share\\{DEEP}\\ram.bin"),
        (f"\\\\?\\C:\\{DEEP}", f"\\\\?\\C:\\{DEEP}"),
        (f"\\\\?\\UNC\\pier\\share\\{DEEP}", f"\\\\?\\UNC\\pier\\share\\{DEEP}"),
    ],
)
def test_a_long_path(path: str, opened: str) -> None:
    assert unbounded(path) == opened


def test_from_which_length_on() -> None:
    """MAX_PATH is 260 with the null at its end, and a folder's path leaves 12 for an 8.3 name."""
    longest = "C:\\" + "a" * (260 - 1 - 12 - 3)
    assert len(longest) == LONGEST_PLAIN
    assert unbounded(longest) == longest
    assert unbounded(f"{longest}a") == f"\\\\?\\{longest}a"


def test_what_is_opened() -> None:
    """On other systems the path itself, whatever it is."""
    for name in ("nul", "ram.bin.", f"C:\\{DEEP}"):
        assert openable(Path(name), system="linux") == Path(name)
    assert openable(Path(f"C:\\{DEEP}"), system="win32") == Path(f"\\\\?\\C:\\{DEEP}")
    with pytest.raises(ValueError, match=r"^nul names a device on Windows"):
        openable(Path("nul"), system="win32")
    with pytest.raises(ValueError, match="is relative to whatever folder is open on drive D:"):
        openable(Path("D:ram.bin"), system="win32")


@given(st.text(string.printable, max_size=300))
def test_no_path_is_too_much(path: str) -> None:
    assert isinstance(path_fault(path), str)
    assert len(unbounded(path)) <= len(path) + len("\\\\?\\UNC\\")
