"""lowhalf in programs: the face offers what it says, and each example of its page runs.

A type checker that is not ours, mypy, looks at a user's program as strictly as it can.
"""

from __future__ import annotations

import ast
import asyncio
import contextlib
import gzip
import io
import json
import logging
import re
import subprocess
import sys
import tomllib
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest

import lowhalf

ROOT = Path(__file__).parents[1]
SAMPLES = ROOT / "sample_dumps"
PAGE = (ROOT / "docs" / "reference" / "python.md").read_text("utf-8")
EXAMPLE = re.compile(r"^```python\n(.*?)^```\n(?:\n```text\n(.*?)^```$)?", re.M | re.S)
RAM = 0x8000_0000


def kept_in(directory: Path) -> list[Path]:
    """Files of attempts."""
    return list(directory.glob("*.sqlite*"))


@pytest.fixture(scope="module")
def bridge() -> lowhalf.Bridge:
    return lowhalf.load_bridge(SAMPLES / "first-print-carry.bridge.toml")


def test_every_example_of_the_page_prints_what_stands_below_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    examples = list(EXAMPLE.finditer(PAGE))
    assert len(examples) == PAGE.count("```python") >= 8
    names: dict[str, object] = {"__name__": "example"}
    for example in examples:
        line = PAGE[: example.start()].count("\n") + 2
        printed = io.StringIO()
        with contextlib.redirect_stdout(printed):
            # as if it stood in the page, so that a fault tells its line there
            exec(compile("\n" * (line - 1) + example[1], "python.md", "exec"), names)
        assert printed.getvalue() == (example[2] or ""), f"python.md, line {line}"


def test_every_name_is_on_the_page_and_no_other() -> None:
    rows = re.findall(r"^\| `(\w+)", PAGE.partition("## All names")[2], re.M)
    told = set(rows) | {"SchemaError", "BridgeFileError", "LayoutFileError"}
    told |= {"SourceLost", "SourceUnusable"}
    assert told == set(lowhalf.__all__)
    assert all(f"`{name}" in PAGE for name in lowhalf.__all__)


def test_what_checkers_see_is_what_programs_get() -> None:
    """The names are imported twice: for type checkers, and when they are first used."""
    tree = ast.parse((ROOT / "lowhalf" / "__init__.py").read_text("utf-8"))
    (branch,) = (node for node in tree.body if isinstance(node, ast.If))
    seen = {
        alias.name: node.module
        for node in branch.body
        if isinstance(node, ast.ImportFrom) and node.module
        for alias in node.names
    }
    assert set(seen) == set(lowhalf.__all__)
    for name, module in seen.items():
        assert getattr(lowhalf, name) is getattr(import_module(module), name), name
    assert set(lowhalf.__all__) <= set(dir(lowhalf))


def test_a_name_that_is_not_there() -> None:
    with pytest.raises(AttributeError, match=r"^module 'lowhalf' has no attribute 'raed'$"):
        _ = lowhalf.raed  # type: ignore[attr-defined]


def test_importing_it_loads_nothing_else() -> None:
    code = "import __future__, importlib.util, json, sys, typing, warnings; "
    code += "before = set(sys.modules); import lowhalf; "
    code += "json.dump(sorted(set(sys.modules) - before), sys.stdout)"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, check=True)
    loaded = json.loads(done.stdout)
    assert loaded == ["lowhalf"]


def test_it_is_one_version() -> None:
    """Semantic Versioning 2.0.0, item 2: three numbers without leading zeros."""
    assert re.fullmatch(r"(0|[1-9]\d*)(\.(0|[1-9]\d*)){2}", lowhalf.__version__)
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    assert project["version"] == lowhalf.__version__
    newest = re.findall(r"^## (\S+)$", (ROOT / "CHANGELOG.md").read_text("utf-8"), re.M)[0]
    assert newest == lowhalf.__version__


GOOD = """
import asyncio
from pathlib import Path
import lowhalf
from lowhalf import Frame, Reading

def text(reading: Reading) -> str:
    return reading.text if reading.status is lowhalf.Status.OK else reading.reason

async def follow(bridge: lowhalf.Bridge, guest: lowhalf.ScriptedSource) -> int:
    newest: Frame | None = None
    async for frame in lowhalf.frames(bridge, source=guest):
        newest = frame
    return newest.number + newest.stats.skipped if newest is not None else 0

def main() -> str:
    try:
        bridge = lowhalf.load_bridge(Path("a.bridge.toml"))
        frame = lowhalf.read(bridge, "a.bin", watches=["a"], frame=None, wait=1)
    except lowhalf.FileError as fault:
        return f"{fault.file} {fault.line + 1}"
    schema = lowhalf.load_schema("a.schema.toml")
    asyncio.run(follow(bridge, lowhalf.ScriptedSource()))
    return text(frame["a"]) + text(lowhalf.evaluate(schema, "a.bin", "a"))
"""
BAD = """
import lowhalf
lowhalf.raed("a")
number: int = lowhalf.load_bridge("a").name
lowhalf.read("a.bridge.toml")
from lowhalf import import_module
"""


@pytest.mark.posix("types are checked where lowhalf is developed")
def test_a_strict_checker_accepts_a_users_program_and_finds_what_is_wrong(tmp_path: Path) -> None:
    (tmp_path / "good.py").write_text(GOOD, "utf-8")
    (tmp_path / "bad.py").write_text(BAD, "utf-8")
    (tmp_path / "mypy.ini").write_text("[mypy]\nstrict = true\nfollow_imports = silent\n", "utf-8")
    words = [sys.executable, "-m", "mypy", "good.py", "bad.py", "--no-error-summary"]
    done = subprocess.run(
        words,
        cwd=tmp_path,
        env={"MYPYPATH": str(ROOT), "PATH": ""},
        capture_output=True,
        text=True,
        check=False,
    )
    found = re.findall(r"^(\w+\.py):(\d+): error: .*\[([\w-]+)\]$", done.stdout, re.M)
    assert found == [
        ("bad.py", "3", "attr-defined"),
        ("bad.py", "4", "assignment"),
        ("bad.py", "5", "arg-type"),
        ("bad.py", "6", "attr-defined"),
    ], done.stdout + done.stderr


def test_a_value_is_the_one_that_numpy_finds_in_the_dump(bridge: lowhalf.Bridge) -> None:
    for name in ("first-print-carry", "second-print-carry", "export-carry"):
        dump = SAMPLES / f"{name}.bin.gz"
        for known in (bridge, bridge.schema):
            reading = lowhalf.evaluate(known, dump, "courier.held.position.x")
            assert reading.address is not None
            memory = gzip.decompress(dump.read_bytes())
            (value,) = np.frombuffer(memory, ">f4", 1, reading.address - RAM)
            assert (reading.status, reading.value) == (lowhalf.Status.OK, float(value))


async def test_a_recording_gives_each_frame_once(tmp_path: Path) -> None:
    demo = lowhalf.load_bridge(SAMPLES / "demo.bridge.toml")
    numbers, rooms = [], set()
    async for frame in lowhalf.frames(demo):
        numbers.append(frame.number)
        rooms.add(frame["room"].value)
    assert numbers == list(range(392, 1592))
    assert rooms == {"Lantern Room", "Gallery", "Harbour", "Mist Stair"}
    assert frame.as_json()["practice"]["successes"] == 1
    assert kept_in(SAMPLES) == []
    # a dump in its place is one frame
    dump = SAMPLES / "first-print-carry.bin.gz"
    assert [frame.number async for frame in lowhalf.frames(demo, dump)] == [151]


def test_one_frame_of_a_recording(bridge: lowhalf.Bridge) -> None:
    demo = SAMPLES / "demo.mcap"
    assert lowhalf.read(bridge, demo).number == 392
    frame = lowhalf.read(
        bridge, demo, watches=["count(change(ledger.rooms_entered) > 0)"], frame=1000
    )
    assert (frame.number, frame.readings[-1].value) == (1000, 1)
    with pytest.raises(lowhalf.SourceUnusable, match="has no frame 9: it holds frames 392 to 1591"):
        lowhalf.read(bridge, demo, frame=9)
    with pytest.raises(lowhalf.LowhalfError, match=r"^frame 9 was asked for, but only recordings"):
        lowhalf.read(bridge, frame=9)


async def test_reading_where_a_loop_runs_already(bridge: lowhalf.Bridge) -> None:
    """As in a notebook, whose cells run in a loop (common practice, no source)."""
    assert lowhalf.read(bridge).number == 151
    with pytest.raises(lowhalf.SourceLost):
        lowhalf.read(bridge, "gone.bin.gz")


async def test_frames_come_from_one_place(bridge: lowhalf.Bridge) -> None:
    dump = SAMPLES / "first-print-carry.bin.gz"
    with pytest.raises(ValueError, match="dump and source are both given"):
        await anext(lowhalf.frames(bridge, dump, source=lowhalf.ScriptedSource()))


PIER = """
[game]
name = "Pier"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8000_0000, size = "4 KiB" } ]
[symbols]
oil = "u16"
[builds.print.at]
oil = 0x8000_0010
[[builds.print.recognise]]
at = 0x8000_0000
text = "PIER"
[builds.reprint.at]
oil = 0x8000_0020
[[builds.reprint.recognise]]
at = 0x8000_0000
text = "DOCK"
"""


@pytest.fixture
def pier(tmp_path: Path) -> lowhalf.Bridge:
    (tmp_path / "pier.schema.toml").write_text(PIER, "utf-8")
    path = tmp_path / "pier.bridge.toml"
    text = 'schema = "pier.schema.toml"\nsource = { kind = "fake", byte_order = "big" }\n'
    path.write_text(text + '[[watches]]\nname = "left"\nexpr = "oil"\n', "utf-8")
    return lowhalf.load_bridge(path)


def sender() -> lowhalf.ScriptedSource:
    guest = lowhalf.ScriptedSource(
        cadence=lowhalf.Cadence.ANNOUNCED, consistency=lowhalf.Consistency.SENDER
    )
    guest.poke(RAM, b"PIER")
    return guest


async def test_a_source_that_is_lost_is_told_and_closed(
    pier: lowhalf.Bridge, caplog: pytest.LogCaptureFixture
) -> None:
    guest = sender()
    coming = lowhalf.frames(pier, source=guest)
    guest.poke(RAM + 0x10, b"\x01\xf4")
    guest.next()
    assert (await anext(coming))["left"].value == 500
    assert guest.opened
    guest.notes.append("the keeper is away")
    guest.lose("went dark")
    with pytest.raises(lowhalf.SourceLost, match=r"^fake: went dark$"):
        await anext(coming)
    assert not guest.opened
    assert caplog.record_tuples == [
        ("lowhalf", logging.WARNING, "fake: the keeper is away"),
    ]


async def test_attempts_are_followed_and_kept_nowhere(pier: lowhalf.Bridge, tmp_path: Path) -> None:
    path = tmp_path / "tried.bridge.toml"
    tables = '\n[attempts]\nbegins = "oil == 1"\nsucceeds = "oil == 3"\ngiven_up = "oil == 4"\n'
    path.write_text(pier.path.read_text("utf-8") + tables, "utf-8")
    guest, outcomes = sender(), []
    tried = lowhalf.load_bridge(path)
    async with contextlib.aclosing(lowhalf.frames(tried, source=guest)) as coming:
        for oil in (0, 1, 2, 3, 1, 4):
            guest.poke(RAM + 0x10, oil.to_bytes(2, "big"))
            guest.next()
            last = (await anext(coming)).as_json()["practice"]["last"]
            outcomes.append(last and last["outcome"])
    assert outcomes == [None, None, None, "success", "success", "given-up"]
    assert kept_in(tmp_path) == []


async def test_leaving_early_closes_the_source(pier: lowhalf.Bridge) -> None:
    guest = sender()
    async with contextlib.aclosing(lowhalf.frames(pier, source=guest)) as coming:
        guest.next()
        assert (await anext(coming)).number == 1
    assert not guest.opened


async def test_a_frame_of_no_known_build_is_no_frame(
    pier: lowhalf.Bridge, caplog: pytest.LogCaptureFixture
) -> None:
    guest = sender()
    guest.poke(RAM, b"QUAY")
    async with contextlib.aclosing(lowhalf.frames(pier, source=guest)) as coming:
        guest.next()
        waiting = asyncio.ensure_future(anext(coming))
        async with asyncio.timeout(30):
            while not caplog.records:  # noqa: ASYNC110
                await asyncio.sleep(0.001)
        assert not waiting.done()
        guest.poke(RAM, b"PIER")
        async with asyncio.timeout(30):
            while not waiting.done():
                guest.next()
                await asyncio.sleep(0.001)
        assert waiting.result().build == "print"
    words = 'fake: no build is recognised: print wants "PIER" at 0x80000000, found "QUAY"; '
    words += 'reprint wants "DOCK" at 0x80000000, found "QUAY"'
    assert caplog.record_tuples == [("lowhalf", logging.WARNING, words)]


def test_nothing_is_printed(bridge: lowhalf.Bridge, capfd: pytest.CaptureFixture[str]) -> None:
    lowhalf.read(bridge, SAMPLES / "demo.mcap")
    assert capfd.readouterr() == ("", "")
