"""Builds the three released versions of Tidewright as ELF files, with DWARF.

Needs Debian's gcc-mips-linux-gnu. Run it as ``python -m tests.guest.build DIRECTORY``.
"""

from __future__ import annotations

import contextlib
import hashlib
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

COMPILER = "mips-linux-gnu-gcc"
GUEST_SOURCE = Path(__file__).parent

TARGET_FLAGS = (
    *("-mabi=32", "-march=mips32r2", "-mhard-float", "-mfp32", "-mno-abicalls", "-fno-pic", "-G0"),
    *("-ffreestanding", "-nostdlib", "-static"),
)
# No contraction: a fused multiply-add would round once where the game rounds twice.
CODE_FLAGS = (
    *("-std=gnu11", "-g", "-O1", "-fno-common", "-fno-strict-aliasing", "-ffp-contract=off"),
    *("-fno-tree-loop-distribute-patterns", "-fno-eliminate-unused-debug-types"),
    *("-Wall", "-Wextra", "-Werror"),
)
LINK_FLAGS = ("-no-pie", "-Wl,--build-id=none", "-Wl,-z,max-page-size=4096")


@dataclass(frozen=True)
class GuestBuild:
    """One released version: where it is linked (guest addresses) and what it says it is."""

    name: str
    version: str
    link_base: int
    public_base: int
    arena_base: int
    defines: tuple[str, ...] = ()


BUILDS = (
    GuestBuild("first-print", "TIDE 1.0", 0x8010_0000, 0x8018_0000, 0x8020_0000),
    GuestBuild("second-print", "TIDE 1.1", 0x8012_0000, 0x801A_0000, 0x8021_8000),
    GuestBuild("export", "TIDE 2.0", 0x8014_0000, 0x801C_0000, 0x8024_0000, ("-DTIDE_EXPORT",)),
)


def compile_flags(guest_build: GuestBuild) -> list[str]:
    """The flags that decide the layout of this build's structs."""
    return [*TARGET_FLAGS, *CODE_FLAGS, *guest_build.defines]


def build(directory: Path) -> dict[str, Path]:
    """Writes NAME.elf of each build into `directory`; gives build name → path.

    Raises CalledProcessError, with the compiler's words on standard error, when one fails.
    """
    directory.mkdir(parents=True, exist_ok=True)
    return {each.name: build_one(each, directory / f"{each.name}.elf") for each in BUILDS}


def build_once(cache: Path) -> dict[str, Path]:
    """As `build`, into a folder of `cache` that later calls find: its name tells the sources.

    Several processes may do so at once: each compiles beside it, and the first one's is taken.
    """
    made = cache / _fingerprint()
    if not made.exists():
        with tempfile.TemporaryDirectory(dir=cache) as directory:
            built = Path(directory) / "built"
            build(built)
            with contextlib.suppress(OSError):  # another process was first
                built.rename(made)
    return {each.name: made / f"{each.name}.elf" for each in BUILDS}


def _fingerprint() -> str:
    """Of all that the ELF files are made of, and of where it lies: DWARF names the sources."""
    version = subprocess.run([COMPILER, "--version"], check=True, capture_output=True).stdout
    digest = hashlib.sha256(version + str(GUEST_SOURCE).encode())
    sources = (path for path in GUEST_SOURCE.rglob("*") if path.suffix in {".c", ".h", ".S", ".ld"})
    for path in (Path(__file__), *sorted(sources)):
        digest.update(path.name.encode() + path.read_bytes())
    return digest.hexdigest()[:16]


def build_one(guest_build: GuestBuild, elf: Path, *further: str) -> Path:
    """Writes one build to `elf`, which it gives; raises as `build` does.

    `further` are words for the compiler: sources and flags beside the game's own.
    """
    sources = [GUEST_SOURCE / "start.S", *sorted(GUEST_SOURCE.glob("*.c"))]
    bases = ("link_base", "public_base", "arena_base")
    command = [
        COMPILER,
        *compile_flags(guest_build),
        f'-DTIDE_VERSION="{guest_build.version}"',
        *LINK_FLAGS,
        *(f"-Wl,--defsym={base}={getattr(guest_build, base):#x}" for base in bases),
        f"-L{GUEST_SOURCE / 'layouts' / guest_build.name}",
        f"-Wl,-T,{GUEST_SOURCE / 'tidewright.ld'}",
        *map(str, sources),
        *further,
        "-o",
        str(elf),
    ]
    subprocess.run(command, check=True)
    return elf


def build_proof(elf: Path) -> Path:
    """Writes first-print with a rolling digest of its own state, see proof/digest.c."""
    digest = GUEST_SOURCE / "proof" / "digest.c"
    return build_one(BUILDS[0], elf, "-Wl,--wrap=heap_summarise", str(digest))


_PLAYED_WRAPS = ("script_step", "mist_update", "courier_carry", "actor_spawn", "actor_remove")


_ALLOCATOR_WRAPS = ("heap_begin", "heap_allocate", "heap_release")


def build_played(guest_build: GuestBuild, elf: Path, allocator: str | None = None) -> Path:
    """Writes one build that does a player's actions when told to, see played/courier.c.

    *allocator* names a file of played/allocators/, whose rules it then has in place of its own.
    """
    played, wraps = GUEST_SOURCE / "played", list(_PLAYED_WRAPS)
    sources = [played / "courier.c"]
    if allocator is not None:
        wraps += _ALLOCATOR_WRAPS
        sources.append(played / "allocators" / f"{allocator}.c")
    return build_one(
        guest_build, elf, *(f"-Wl,--wrap={name}" for name in wraps), *map(str, sources)
    )


def build_walked(guest_build: GuestBuild, elf: Path) -> Path:
    """Writes one build that walks as it is told, see walked/courier.c."""
    wraps = ("-Wl,--wrap=script_step", "-Wl,--wrap=courier_walk")
    return build_one(guest_build, elf, *wraps, str(GUEST_SOURCE / "walked" / "courier.c"))


def build_walked_once(cache: Path, guest_build: GuestBuild) -> Path:
    """As `build_walked`, into a folder of `cache` that later calls find, as `build_once` does."""
    made = cache / f"walked-{_fingerprint()}" / f"{guest_build.name}.elf"
    if not made.exists():
        made.parent.mkdir(exist_ok=True)
        with tempfile.TemporaryDirectory(dir=made.parent) as directory:
            build_walked(guest_build, Path(directory) / made.name).replace(made)
    return made


def build_played_once(cache: Path, guest_build: GuestBuild, allocator: str | None = None) -> Path:
    """As `build_played`, into a folder of `cache` that later calls find, as `build_once` does."""
    made = cache / f"played-{allocator or 'own'}-{_fingerprint()}" / f"{guest_build.name}.elf"
    if not made.exists():
        made.parent.mkdir(exist_ok=True)
        with tempfile.TemporaryDirectory(dir=made.parent) as directory:
            build_played(guest_build, Path(directory) / made.name, allocator).replace(made)
    return made


def build_timed_once(cache: Path) -> Path:
    """first-print with a courier who acts early, right or late, see timed/acts.c, kept as
    `build_once` keeps."""
    made = cache / f"timed-{_fingerprint()}" / f"{BUILDS[0].name}.elf"
    if not made.exists():
        made.parent.mkdir(exist_ok=True)
        acts = GUEST_SOURCE / "timed" / "acts.c"
        with tempfile.TemporaryDirectory(dir=made.parent) as directory:
            timed = Path(directory) / made.name
            build_one(BUILDS[0], timed, "-Wl,--wrap=script_step", str(acts)).replace(made)
    return made


def main() -> int:
    if len(sys.argv) != 2:
        print("usage: python -m tests.guest.build DIRECTORY", file=sys.stderr)
        return 2
    for name, elf in build(Path(sys.argv[1])).items():
        print(f"{name}: {elf}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
