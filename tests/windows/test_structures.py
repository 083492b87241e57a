"""Win32's structures and numbers, as sizes.c prints them from mingw-w64's headers."""

from __future__ import annotations

import ctypes

import pytest

from adapters import file_opening
from adapters.sources.pushed.serial import ERROR_TIMEOUT
from adapters.sources.windows import calls, structures
from schemas.system_words import HELD_BY_ANOTHER
from tests.windows.wine import Wine

pytestmark = [
    pytest.mark.needs("wine", "wine"),
    pytest.mark.needs("gcc-mingw-w64-x86-64-win32", "x86_64-w64-mingw32-gcc"),
]
STRUCTURES: dict[str, type[ctypes.Structure]] = {
    "MEMORY_BASIC_INFORMATION": structures.MemoryBasicInformation,
    "PROCESSENTRY32W": structures.ProcessEntry32W,
    "FILETIME": structures.FileTime,
}


@pytest.fixture(scope="module")
def said(wine: Wine) -> list[tuple[str, str, int, int]]:
    lines = wine.run(str(wine.program("sizes.c")))
    rows = [line.rsplit(" ", 3) for line in lines]
    return [(name, field, int(offset), int(size)) for name, field, offset, size in rows]


@pytest.mark.parametrize("name", STRUCTURES)
def test_a_structure_is_the_headers(name: str, said: list[tuple[str, str, int, int]]) -> None:
    made = STRUCTURES[name]
    fields = {field: (offset, size) for each, field, offset, size in said if each == name}
    assert fields.pop("-") == (0, ctypes.sizeof(made))
    own = {field[0]: getattr(made, field[0]) for field in made._fields_}
    assert {key: (value.offset, value.size) for key, value in own.items()} == fields


def test_numbers_are_the_headers(said: list[tuple[str, str, int, int]]) -> None:
    numbers = {name: number for name, field, number, _ in said if name not in STRUCTURES}
    assert numbers == {
        "PROCESS_VM_READ | PROCESS_QUERY_INFORMATION": calls.PROCESS_RIGHTS,
        "FILE_MAP_READ": calls.FILE_MAP_READ,
        "TH32CS_SNAPPROCESS": calls._TH32CS_SNAPPROCESS,
        "STILL_ACTIVE": calls._STILL_ACTIVE,
        "GENERIC_READ": file_opening.READ,
        "FILE_SHARE_READ | FILE_SHARE_WRITE | FILE_SHARE_DELETE": file_opening.SHARE_ALL,
        "OPEN_EXISTING": file_opening.OPEN_EXISTING,
        "MEM_COMMIT": structures._MEM_COMMIT,
        "MEM_FREE": structures._MEM_FREE,
        "MEM_MAPPED": structures._MEM_MAPPED,
        "MEM_IMAGE": structures._MEM_IMAGE,
        "PAGE_GUARD": structures._PAGE_GUARD,
        "ERROR_INVALID_PARAMETER": calls._INVALID_PARAMETER,
        "ERROR_SHARING_VIOLATION": HELD_BY_ANOTHER,
        "ERROR_TIMEOUT": ERROR_TIMEOUT,
    }
