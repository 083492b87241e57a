"""The demo game's schema against what the C compiler, the linker and the ELF file say.

Source of every expected value: Debian's gcc-mips-linux-gnu, given the guest's own header.
`offsetof` and `sizeof` are ISO C11 7.19 and 6.5.3.4; symbol addresses are those of binutils' nm.
"""

from __future__ import annotations

import re
import subprocess
import tomllib
from pathlib import Path
from typing import Any

import pytest

from tests.guest import build as guest_build
from tests.guest.machine import symbol_addresses

pytestmark = pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm")

SCHEMA_PATH = Path(__file__).parents[2] / "schemas" / "games" / "tidewright.schema.toml"
SCHEMA: dict[str, Any] = tomllib.loads(SCHEMA_PATH.read_text(encoding="utf-8"))

SCALARS = {
    **{name: name for name in ("u8", "s8", "u16", "s16", "u32", "s32", "u64", "s64", "f32", "f64")},
    "angle16": "u16",
    "q16.16": "q16_16",
    "q8.8": "q8_8",
    "ActorKind": "u16",
    "ActorFlags": "u32",
}
"""Schema types that C spells otherwise; the rest have the same name in both."""

FLAGS_AND_ENUMS = {
    "ActorKind": "KIND_",
    "ActorFlags": "FLAG_",
    "Weather": "WEATHER_",
    "Mood": "MOOD_",
    "Tide": "TIDE_",
    "Command": "COMMAND_",
    "Load": "LOAD_",
}

BUILD_NAMES = [each.name for each in guest_build.BUILDS]


def build_of(name: str) -> guest_build.GuestBuild:
    return next(each for each in guest_build.BUILDS if each.name == name)


def in_build(entry: dict[str, Any], key: str, build: str) -> int:
    return int(entry.get("builds", {}).get(build, entry[key]))


def c_type(schema_type: str) -> str:
    """The schema's type in C, as `__typeof__` and casts take it: ``u8[4][6]`` → ``u8[4][6]``."""
    match = re.fullmatch(r"([\w.]+)(\**)((?:\[\d+\])*)", schema_type)
    assert match is not None, schema_type
    name, stars, dimensions = match.groups()
    return SCALARS.get(name, name) + stars + dimensions


def compile_c(build: str, text: str, directory: Path) -> subprocess.CompletedProcess[str]:
    source = directory / "claims.c"
    source.write_text(f'#include "tidewright.h"\n{text}\n', encoding="utf-8")
    flags = guest_build.compile_flags(build_of(build))
    include = f"-I{guest_build.GUEST_SOURCE}"
    object_file = directory / "claims.o"
    command = [guest_build.COMPILER, *flags, include, "-c", str(source), "-o", str(object_file)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def claim(condition: str) -> str:
    return f'_Static_assert({condition}, "{condition}");'


def layout_claims(build: str) -> list[str]:
    claims = []
    for struct, entry in SCHEMA["structs"].items():
        claims.append(claim(f"sizeof({struct}) == {in_build(entry, 'size', build)}"))
        for field, found in entry["fields"].items():
            if "bits" in found:
                continue
            member = f"(({struct} *)0)->{field}"
            offset = in_build(found, "at", build)
            wanted = f"__typeof__({c_type(found['type'])})"
            claims.append(claim(f"__builtin_offsetof({struct}, {field}) == {offset}"))
            claims.append(claim(f"__builtin_types_compatible_p(__typeof__({member}), {wanted})"))
    return claims


@pytest.mark.parametrize("build", BUILD_NAMES)
def test_every_struct_has_the_offsets_sizes_and_types_of_the_compiler(
    build: str, tmp_path: Path
) -> None:
    claims = layout_claims(build)
    assert len(claims) > 200
    result = compile_c(build, "\n".join(claims), tmp_path)
    assert result.returncode == 0, result.stderr


def test_a_wrong_offset_is_refused_by_the_compiler(tmp_path: Path) -> None:
    wrong = claim("__builtin_offsetof(Actor, held) == 0x140")
    assert "static assertion failed" in compile_c("first-print", wrong, tmp_path).stderr
    other_build = claim("__builtin_offsetof(Actor, held) == 0x144")
    assert compile_c("export", other_build, tmp_path).returncode == 0


def test_every_enum_member_and_flag_has_the_value_of_the_header(tmp_path: Path) -> None:
    claims = []
    for name, entry in {**SCHEMA["enums"], **SCHEMA["flags"]}.items():
        prefix = FLAGS_AND_ENUMS[name]
        claims.append(claim(f"sizeof({c_type(name)}) == sizeof({entry['base']})"))
        for member, value in entry.get("values", {}).items():
            claims.append(claim(f"{prefix}{member.upper()} == {value}"))
        for member, bit in entry.get("bits", {}).items():
            claims.append(claim(f"{prefix}{member.upper()} == 1u << {bit}"))
    result = compile_c("first-print", "\n".join(claims), tmp_path)
    assert result.returncode == 0, result.stderr


def bit_fields() -> list[tuple[str, str, dict[str, Any]]]:
    return [
        (struct, field, found)
        for struct, entry in SCHEMA["structs"].items()
        for field, found in entry["fields"].items()
        if "bits" in found
    ]


def test_bit_fields_occupy_the_bits_that_the_compiler_sets(tmp_path: Path) -> None:
    """Each bit-field is initialised to all ones in an object of its own, and the bytes compared."""
    fields = bit_fields()
    assert len(fields) == 10
    lines = []
    for struct, field, found in fields:
        ones = -1 if found["type"].startswith("s") else (1 << found["bits"][1]) - 1
        section = f'__attribute__((section(".bits.{struct}.{field}")))'
        lines.append(f"{section} {struct} {struct}_{field} = {{ .{field} = {ones} }};")
    result = compile_c("first-print", "\n".join(lines), tmp_path)
    assert result.returncode == 0, result.stderr
    for struct, field, found in fields:
        raw = section_bytes(tmp_path, f".bits.{struct}.{field}")
        lowest, width = found["bits"]
        size = int(found["type"][1:]) // 8
        expected = bytearray(SCHEMA["structs"][struct]["size"])
        mask = ((1 << width) - 1) << lowest
        expected[found["at"] : found["at"] + size] = mask.to_bytes(size, "big")
        assert raw == bytes(expected), f"{struct}.{field}"


def section_bytes(directory: Path, section: str) -> bytes:
    raw = directory / "section.bin"
    command = ["mips-linux-gnu-objcopy", "-O", "binary", "-j", section, "claims.o", str(raw)]
    subprocess.run(command, check=True, cwd=directory)
    return raw.read_bytes()


@pytest.mark.parametrize("build", BUILD_NAMES)
def test_every_symbol_is_where_the_linker_put_it(build: str, elves: dict[str, Path]) -> None:
    linked = symbol_addresses(elves[build])
    placed = SCHEMA["builds"][build]["at"]
    assert set(placed) == set(SCHEMA["symbols"])
    assert placed == {name: linked[name] for name in placed}


@pytest.mark.parametrize("build", BUILD_NAMES)
def test_addresses_do_not_depend_on_the_optimiser(
    build: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    flags = tuple("-O2" if flag == "-O1" else flag for flag in guest_build.CODE_FLAGS)
    assert flags != guest_build.CODE_FLAGS
    monkeypatch.setattr(guest_build, "CODE_FLAGS", flags)
    (chosen,) = (each for each in guest_build.BUILDS if each.name == build)
    linked = symbol_addresses(guest_build.build_one(chosen, tmp_path / "game.elf"))
    placed = SCHEMA["builds"][build]["at"]
    assert placed == {name: linked[name] for name in placed}


@pytest.mark.parametrize("build", BUILD_NAMES)
def test_every_symbol_has_the_type_of_its_declaration(build: str, tmp_path: Path) -> None:
    claims = [
        claim(f"__builtin_types_compatible_p(__typeof__({name}), __typeof__({c_type(found)}))")
        for name, found in SCHEMA["symbols"].items()
    ]
    result = compile_c(build, "\n".join(claims), tmp_path)
    assert result.returncode == 0, result.stderr


@pytest.mark.parametrize("build", BUILD_NAMES)
def test_a_build_is_recognised_by_the_text_that_it_was_given(build: str) -> None:
    (sign,) = SCHEMA["builds"][build]["recognise"]
    assert sign == {"at": 0x8000_0400, "text": build_of(build).version}
