"""Each command loads what it needs and nothing else: to read a dump takes no web server."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from adapters.outputs.catalogue import CATALOGUE as OUTPUTS
from adapters.sources.catalogue import CATALOGUE as SOURCES
from tests.commands import files, practice_files
from tests.commands.command import lowhalf

ROOT = Path(__file__).parent.parent.parent
SAMPLE = str(ROOT / "sample_dumps" / "second-print-carry.bridge.toml")
RECORDING = str(ROOT / "sample_dumps" / "demo.mcap")
DUMP = SAMPLE.replace(".bridge.toml", ".bin.gz")

HEAVY = [
    *("aiohttp", "aiomqtt", "asyncio", "construct", "mcap", "paho", "pydantic", "rich", "serial"),
    *("sqlite3", "tree_sitter", "wasmtime", "watchfiles", "zstandard"),
]
"""What costs a command time or memory where it is loaded for nothing."""

REPORTING = f"""
import sys
from adapters.commands.main import main
try:
    code = main()
except SystemExit as end:
    code = end.code
print("OURS", *sys.modules, file=sys.stderr)
print("LOADED", *(name for name in {HEAVY!r} if name in sys.modules), file=sys.stderr)
raise SystemExit(code)
"""

FILES = {"construct", "pydantic"}
ONE_FRAME = {*FILES, "asyncio"}
COVER = ["--cover", "0x80218010"]
COMMANDS: dict[str, tuple[list[str], set[str]]] = {
    "help": (["--help"], set()),
    "read": (["read", SAMPLE], ONE_FRAME),
    "open": (["open", SAMPLE, DUMP], ONE_FRAME),
    "read --json": (["read", SAMPLE, "--json"], ONE_FRAME),
    "read --dump, zstd": (["read", "PLAIN", "--dump", "ZSTD"], {*ONE_FRAME, "zstandard"}),
    "read, recording": (["read", "PRACTICE", "--watch", "half"], {*ONE_FRAME, "mcap", "zstandard"}),
    "by-hand": (["by-hand", SAMPLE, "--build", "second-print", "--watch", "1 + 1"], FILES),
    "explain": (["explain", SAMPLE, "held_kind"], ONE_FRAME),
    "layout": (["layout", "save", SAMPLE, "NEW"], ONE_FRAME),
    "where": (["where", SAMPLE, "0x801A1320"], ONE_FRAME),
    "solve": (["solve", "hex", "0x10", "0x20"], set()),
    "heap": (["heap", SAMPLE], {*ONE_FRAME, "rich"}),
    "heap --json": (["heap", SAMPLE, "--json"], ONE_FRAME),
    "check": (["check", SAMPLE], FILES),
    "check --dump": (["check", SAMPLE, "--dump", DUMP], {*ONE_FRAME, "rich"}),
    "check, wrong": (["check", "WRONG"], {*FILES, "tree_sitter"}),
    "plan": (["plan", SAMPLE, *COVER], {*ONE_FRAME, "rich", "wasmtime"}),
    "plan --json": (["plan", SAMPLE, *COVER, "--json"], {*ONE_FRAME, "wasmtime"}),
    "plan show": (["plan", "show", "PLAN"], {*FILES, "rich"}),
    "plan show --html": (["plan", "show", "PLAN", "--html", "PAGE"], FILES),
    "learn": (
        ["learn", SAMPLE, "--recording", RECORDING, "--seconds", "60"],
        {*ONE_FRAME, "mcap", "zstandard"},
    ),
    "attempts": (["attempts", "PRACTICE"], {*FILES, "sqlite3"}),
    "tally": (["tally", "PRACTICE"], {*ONE_FRAME, "mcap", "sqlite3", "zstandard"}),
    "pack": (["pack", SAMPLE, "PACK"], {*ONE_FRAME, "mcap", "tree_sitter", "zstandard"}),
    "unpack": (["unpack", "PACKED", "FOLDER"], {"pydantic"}),
    "sheet --html": (["sheet", SAMPLE, "--html", "SHEET"], FILES),
    "overlay-boot": (["overlay-boot", "PORT"], FILES),
    "sources": (["sources"], {"pydantic"}),
    "json-schema": (["json-schema", "bridge"], {"pydantic"}),
    "run --quiet": (["run", SAMPLE, "--quiet", "--seconds", "0.5"], ONE_FRAME),
    "run --json": (["run", SAMPLE, "--json", "--seconds", "0.5"], ONE_FRAME),
    "run": (["run", SAMPLE, "--seconds", "0.5"], {*ONE_FRAME, "rich"}),
    "run, pages": (["run", "SERVED", "--quiet", "--seconds", "0.5"], {*ONE_FRAME, "aiohttp"}),
}

KINDS = {
    **{name: {"file"} for name in ("open", "read", "read --json", "read --dump, zstd")},
    **{name: {"file"} for name in ("explain", "layout", "where", "heap", "heap --json")},
    **{name: {"file"} for name in ("check --dump", "plan", "plan --json")},
    **{name: {"recording"} for name in ("read, recording", "tally", "learn")},
    "run --quiet": {"file"},
    "run --json": {"file", "json"},
    "run": {"file", "terminal"},
    "run, pages": {"file", "overlay"},
}
"""The sources and outputs of each of them; the others load none."""

ROWS = [*SOURCES.rows.items(), *OUTPUTS.rows.items()]
SHARED_BY_COMMANDS = {
    "attaching",
    "attempting",
    "console",
    "dialogue",
    "learning",
    "looking",
    "main",
    "opening",
    "packing",
    "planning",
    "solving",
}


@pytest.fixture(scope="module")
def places(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Files that some of the commands need."""
    import zstandard

    folder = tmp_path_factory.mktemp("imports")
    practice = practice_files.write(folder)
    assert lowhalf("run", str(practice), "--quiet").returncode == 0
    served = folder / "served.bridge.toml"
    served.write_text(files.BRIDGE + '[outputs.overlay]\nlisten = "127.0.0.1:0"\n', "utf-8")
    port = folder / "port.bridge.toml"
    port.write_text(files.BRIDGE + '[outputs.overlay]\nlisten = "127.0.0.1:7365"\n', "utf-8")
    wrong = folder / "wrong.bridge.toml"
    wrong.write_text(files.BRIDGE.replace("expr =", "exqr ="), "utf-8")
    plan = folder / "t.plan.toml"
    assert lowhalf("plan", SAMPLE, *COVER, "--save", str(plan)).returncode == 0
    packed_setup = folder / "t.zip"
    assert lowhalf("pack", SAMPLE, str(packed_setup)).returncode == 0
    packed = folder / "t.bin.zst"
    packed.write_bytes(zstandard.ZstdCompressor().compress(bytes(files.ram())))
    return {
        "PLAIN": str(files.write(folder)),
        "PRACTICE": str(practice),
        "SERVED": str(served),
        "PORT": str(port),
        "WRONG": str(wrong),
        "ZSTD": str(packed),
        "NEW": str(folder / "new.layout.toml"),
        "PLAN": str(plan),
        "PAGE": str(folder / "plan.html"),
        "SHEET": str(folder / "sheet.html"),
        "PACK": str(folder / "new.zip"),
        "PACKED": str(packed_setup),
        "FOLDER": str(folder / "unpacked"),
    }


def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"}


@pytest.mark.parametrize("name", COMMANDS)
def test_what_a_command_loads(name: str, places: dict[str, str]) -> None:
    words, expected = COMMANDS[name]
    done = subprocess.run(
        [sys.executable, "-c", REPORTING, *(places.get(word, word) for word in words)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=60,
        env=environment(),
        stdin=subprocess.DEVNULL,
    )
    assert done.returncode == (2 if "WRONG" in words else 0), done.stderr
    *_, loaded, last = (line.split() for line in done.stderr.splitlines())
    assert (loaded[0], last[0]) == ("OURS", "LOADED")
    assert set(last[1:]) == expected
    modules = [each.split(".") for each in loaded if each.startswith("adapters.commands.")]
    command = set() if name == "help" else {words[0].replace("-", "_")}
    if name == "open":
        command.add("read")
    assert {parts[2] for parts in modules} - SHARED_BY_COMMANDS == command
    kinds = {kind for kind, row in ROWS if row.partition(":")[0] in loaded}
    assert kinds == KINDS.get(name, set())


MAX_TIMES_THE_LIBRARIES = 4.5
"""Processor time of ``lowhalf read``, as so many times that of loading pydantic and construct.

3.2 to 3.7 were measured, the unpacking of 4 MiB and asyncio included; before commands loaded only
what they need it was 5.5.
"""
MAX_TIMES_THE_INTERPRETER = 3.0
"""Processor time of ``lowhalf --help``, as so many times that of an interpreter that does nothing.

1.7 to 1.8 were measured, which are 40 ms where the interpreter takes 23.
"""


def processor_seconds(*command: str, pycache: Path) -> float:
    """Processor time of a child, which keeps its bytecode, as where lowhalf is installed."""
    there = {**environment(), "PYTHONPYCACHEPREFIX": str(pycache)}
    there.pop("PYTHONDONTWRITEBYTECODE", None)
    import resource

    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, *command], check=True, capture_output=True, env=there)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


@pytest.mark.posix("what a child took is told by getrusage")
def test_reading_a_dump_costs_few_times_what_its_libraries_cost(tmp_path: Path) -> None:
    """The least of several runs, in turns, so that the load of the machine is on both alike."""
    importing = ("-c", "from pydantic import BaseModel; import construct")
    reading = ("-m", "adapters.commands", "read", SAMPLE)
    both = [
        (
            processor_seconds(*importing, pycache=tmp_path),
            processor_seconds(*reading, pycache=tmp_path),
        )
        for _ in range(5)
    ]
    libraries, read = (min(column) for column in zip(*both, strict=True))
    assert read < MAX_TIMES_THE_LIBRARIES * libraries, both


@pytest.mark.posix("what a child took is told by getrusage")
def test_help_costs_little_more_than_the_interpreter(tmp_path: Path) -> None:
    both = [
        (
            processor_seconds("-c", "pass", pycache=tmp_path),
            processor_seconds("-m", "adapters.commands", "--help", pycache=tmp_path),
        )
        for _ in range(5)
    ]
    interpreter, helping = (min(column) for column in zip(*both, strict=True))
    assert helping < MAX_TIMES_THE_INTERPRETER * interpreter, both
