"""No text of other people steers a terminal, whatever it stands in and whichever command shows it.

What can be rude: every key and every text of the two files, names of files and of members in them,
a guest's strings, kept attempts, arguments.  What can show it: every command in each of its forms.
Both lists are made from what there is, so that a new key or a new command is asked for as well.

Sources: ECMA-48 for control functions, Unicode's UAX #9 for marks of direction and its general
categories, OWASP's page on CSV injection for cells.
"""

from __future__ import annotations

import ast
import csv
import io
import json
import os
import re
import subprocess
import sys
import tomllib
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from adapters.commands.main import COMMANDS, main
from adapters.recordings.header import About
from adapters.recordings.recorder import Recorder
from bridge.memory.address_map import Region, Span
from bridge.ports.source import Consistency
from tests.adapters.packs.made_archives import File, good_files
from tests.adapters.packs.made_archives import made as made_archive
from tests.commands import evil_files, files
from tests.commands.command import lowhalf
from tests.evil_texts import EVIL, FORGED, LONE, assert_harmless, steering

ROOT = Path(__file__).parents[2]
OWNER = EVIL[:60]
FILE_NAME = EVIL.replace("\0", "").replace("/", "") + LONE[:2]

Capture = pytest.CaptureFixture[str]


def shown(capsys: Capture, *arguments: object) -> tuple[int, str, str]:
    """Run a command within this process, where nothing guards what it prints."""
    code = main([str(argument) for argument in arguments])
    printed = capsys.readouterr()
    return code, printed.out, printed.err


# -- texts of the two files


FILES: dict[str, str] = {"schema": evil_files.SCHEMA, "bridge": evil_files.BRIDGE}


def accepted_texts(capsys: Capture, directory: Path, which: str) -> dict[str, str]:
    """Of every rude key and text of a file, what ``check`` said; "" where it takes it."""
    told = {}
    for where, changed in evil_files.variants(FILES[which]):
        bridge = evil_files.write(directory, **{which: changed})
        code, out, err = shown(capsys, "check", bridge)
        assert code in (0, 2), where
        assert_harmless(out)
        assert_harmless(err)
        told[where] = err
        if code == 0:
            code, out, err = shown(capsys, "read", bridge)
            assert_harmless(out + err)
    return told


def test_every_key_and_text_of_a_schema(capsys: Capture, tmp_path: Path) -> None:
    told = accepted_texts(capsys, tmp_path, "schema")
    taken = {where for where, err in told.items() if not err}
    assert {"text game.name", "text builds.print.title", "key heap.owner.sizes.gull"} <= taken
    assert {"text actions.call.doc", "text allocator.held"} - taken == {"text allocator.held"}
    assert len(told) > 70
    assert r"\x1b[2J" in told["key enums.ActorKind.values.courier"]


def test_every_key_and_text_of_a_bridge_file(capsys: Capture, tmp_path: Path) -> None:
    told = accepted_texts(capsys, tmp_path, "bridge")
    taken = {where for where, err in told.items() if not err}
    assert {"text watches.0.label", "text steps.0.name", "text steps.0.hint"} <= taken
    assert len(told) > 50
    assert r"\x1b[2J" in told["text source.kind"]


# -- every command, where all is rude that can be


def all_rude(directory: Path) -> Path:
    """Files of which every text is rude that may be one; gives the bridge file's path."""
    schema, bridge = tomllib.loads(evil_files.SCHEMA), tomllib.loads(evil_files.BRIDGE)
    schema["game"]["name"] = EVIL
    schema["builds"]["print"]["title"] = EVIL
    schema["structs"]["BlockHeader"]["fields"]["used"]["doc"] = EVIL
    schema["heap"]["owner"]["sizes"] = {OWNER: 0x20, "a" + OWNER: 0x40}
    schema["allocator"]["sizes"] = {}
    call = schema["actions"]["call"]
    call |= {"doc": EVIL, "effects": [{"free": [OWNER], "which": "all"}, {"alloc": OWNER}]}
    schema["builds"] = {EVIL: schema["builds"]["print"]}
    schema["moves"] = {EVIL: schema["moves"]["left"]}
    schema["allocator"] = {}
    effects = [{"alloc": OWNER}]
    schema["actions"] = {"drop": {"frames": 1, "doc": EVIL, "effects": effects}}
    for watch in bridge["watches"]:
        watch["label"] = watch["group"] = EVIL
    bridge["steps"][0] |= {"name": EVIL, "hint": EVIL}
    bridge["outputs"] = {"overlay": {"listen": "127.0.0.1:7365"}}
    path = evil_files.write(directory, schema, bridge)
    rude = path.with_name(f"{FILE_NAME[:80]}.bridge.toml")
    path.rename(rude)
    evil_files.keep_attempts(rude.with_name(rude.name.replace(".bridge.toml", ".attempts.sqlite")))
    return rude


SCHEMA_FILE, BRIDGE, NEW, ZIP = "SCHEMA", "BRIDGE", "NEW", "ZIP"
FORMS: dict[str, list[list[str]]] = {
    "demo": [],  # it has no files but ours
    "open": [["t.bin", BRIDGE], ["t.bin"], [FILE_NAME[:60], BRIDGE], ["kept.layout.toml"]],
    "attach": [[SCHEMA_FILE, "--process", FILE_NAME[-60:-2]]],
    "run": [["--seconds", "0.3", "--stats", BRIDGE], ["--seconds", "0.3", "--json", BRIDGE]],
    "read": [
        [BRIDGE],
        [BRIDGE, "--json"],
        [BRIDGE, "--expect"],
        [BRIDGE, "--dump", "t.bin", "--dump", FILE_NAME[:60]],
        [BRIDGE, "--watch", EVIL],
    ],
    "by-hand": [
        [BRIDGE],
        [BRIDGE, "--json"],
        [BRIDGE, "--addresses"],
        [BRIDGE, "--watch", EVIL],
        [BRIDGE, "--build", EVIL + "x"],
    ],
    "explain": [[BRIDGE, "named"], [BRIDGE, "kinds", "--expect"], [BRIDGE, "named", "--json"]],
    "layout": [
        ["save", BRIDGE, NEW, "--title", EVIL],
        ["compare", BRIDGE, "kept.layout.toml", "--all"],
        ["compare", BRIDGE, "kept.layout.toml", "--json"],
        ["compare", BRIDGE, "other.layout.toml"],
    ],
    "where": [
        [BRIDGE, "0x80001002"],
        [BRIDGE, "0x80002014"],
        [BRIDGE, "0x80002014", "--json"],
        [BRIDGE, "0x80001002", "--build", EVIL + "x"],
    ],
    "solve": [
        ["turn", "--moves", SCHEMA_FILE, "--from", "0", "--to", "0x1000"],
        ["turn", "--moves", SCHEMA_FILE, "--from", "0", "--to", "0x1000", "--json"],
        ["turn", "--moves", SCHEMA_FILE, "--from", "0", "--to", "0x1001"],
        ["turn", "--bridge", BRIDGE, "--from", EVIL, "--to", "0x1000"],
        ["walk", "--moves", "walks.toml", "--from", "0,0,0", "--want-exact", "1"],
        ["walk", "--moves", "walks.toml", "--from", "0,0,0", "--want-exact", "1", "--json"],
        ["walk", "--moves", "walks.toml", "--from", EVIL, "--want-exact", "1"],
        ["walk", "--moves", "walks.toml", "--from", "0,0,0", "--want-exact", "1", "--axis", EVIL],
        ["write", BRIDGE, "heap_head.size", "--half", "low", "--want", "0x1234"],
        ["write", BRIDGE, "heap_head.size", "--half", "low", "--want", "0x1234", "--json"],
        ["write", BRIDGE, EVIL, "--want", "0x1234"],
    ],
    "heap": [[BRIDGE], [BRIDGE, "--json"]],
    "check": [
        [BRIDGE],
        [BRIDGE, "--dump", "t.bin"],
        [BRIDGE, "--dump", "t.bin", "--json"],
        [FILE_NAME],
        [FILE_NAME[:60]],
    ],
    "attempts": [
        *([BRIDGE, what] for what in ("--json", "--csv", "--timing", "--sessions")),
        *([BRIDGE, what, "--csv"] for what in ("--timing", "--sessions")),
        *([BRIDGE], [BRIDGE, "--session", EVIL], [BRIDGE, "--since", EVIL]),
    ],
    "tally": [[BRIDGE, "--dump", "t.bin"], [BRIDGE, "--dump", "t.bin", "--json"]],
    "expect": [
        [BRIDGE, "--dump", "t.bin", "--to", NEW],
        [BRIDGE, "--dump", "t.bin", FILE_NAME[:60], "--to", NEW],
    ],
    "compare": [
        ["t.bin", "u.bin", "--bridge", BRIDGE],
        ["t.bin", "u.bin", "--bridge", BRIDGE, "--json"],
        ["t.bin", FILE_NAME[:60], "--bridge", BRIDGE],
        ["t.bin", "u.bin", "--bridge", BRIDGE, "--ignore", EVIL],
    ],
    "events": [["rude.mcap", "rude.mcap"], [FILE_NAME[:60]]],
    "record": [[FILE_NAME[:60], NEW]],
    "query": [
        ["rude.mcap"],
        ["rude.mcap", "--json"],
        ["rude.mcap", "--bridge", BRIDGE, "--frame", "1"],
        ["rude.mcap", "--watch", EVIL],
        ["rude.mcap", FILE_NAME[:60]],
    ],
    "verify": [
        ["kept.expect.toml", "--all"],
        ["rude.expect.toml"],
        ["rude.expect.toml", "--json"],
        [FILE_NAME[:60]],
    ],
    "plan": [
        [BRIDGE, "--want", OWNER, "--at", "0x80002010"],
        [BRIDGE, "--cover", "0x80002040", "--builds", "all", "--json"],
        [BRIDGE, "--want", EVIL, "--at", EVIL],
        [BRIDGE, "--put", f"{OWNER}.{EVIL}", "--under", "0x80002040"],
        [BRIDGE, "--free", EVIL, "--avoid", EVIL],
        [BRIDGE, "--layout", "kept.layout.toml", "--from", FILE_NAME[:60], "--state", EVIL],
        ["show", "kept.plan.toml"],
        ["show", "kept.plan.toml", "--html", NEW],
        ["show", FILE_NAME[:60]],
    ],
    "learn": [
        [BRIDGE, "--recording", "rude.mcap"],
        [BRIDGE, "--recording", "rude.mcap", "--json"],
        [BRIDGE, "--recording", "rude.mcap", "--write", NEW],
        ["next", BRIDGE, "--recording", "rude.mcap"],
        [BRIDGE, "--recording", "marked.mcap"],
        [BRIDGE, "--recording", FILE_NAME[:60], "--inputs", "t.bin"],
    ],
    "pack": [
        ["r.bridge.toml", ZIP],
        ["r.bridge.toml", ZIP, "--json", "--title", EVIL, "--clip", "rude.mcap"],
        [BRIDGE, ZIP],
        ["r.bridge.toml", ZIP, "--notes", FILE_NAME[:60]],
        ["r.bridge.toml", ZIP, "--expect", "kept.expect.toml", "--picture", "t.bin"],
        ["r.bridge.toml", ZIP, "--clip", FILE_NAME[:60]],
    ],
    "unpack": [
        ["rude.zip", NEW],
        ["rude.zip", NEW, "--json"],
        ["names.zip"],
        ["manifest.zip", NEW],
        [FILE_NAME[:60]],
    ],
    "sheet": [
        [BRIDGE],
        [BRIDGE, "--json"],
        [BRIDGE, "--html", NEW],
        [BRIDGE, "--build", EVIL + "x"],
    ],
    "overlay-boot": [[BRIDGE, "--query", EVIL], [BRIDGE, NEW]],
    "sources": [[]],
    "json-schema": [["schema"]],
    "docs": [],  # it has no files but ours
}
LINES = [(command, *form) for command, forms in FORMS.items() for form in forms]


def test_no_command_is_forgotten() -> None:
    assert set(FORMS) == set(COMMANDS)


def _name(line: tuple[str, ...]) -> str:
    return " ".join(word if word.isprintable() and word.isascii() else "RUDE" for word in line)


@pytest.fixture(scope="module")
def rude(tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("rude")
    path = all_rude(directory)
    layout = directory / "kept.layout.toml"
    assert lowhalf("layout", "save", str(path), str(layout), "--title", EVIL[:4]).returncode == 0
    text = layout.read_text("utf-8")
    assert steering(text) == []
    assert tomllib.loads(text)["blocks"][0]["owner"] == OWNER
    made = directory / "kept.plan.toml"
    wish = ["--cover", "0x80002040", "--builds", "all", "--save", str(made)]
    assert lowhalf("plan", str(path), *wish).returncode == 0
    assert steering(made.read_text("utf-8")) == []
    other = bytearray((directory / "t.bin").read_bytes())
    # other bytes in each text, pointer and block that there is
    other[0x1000:] = bytes(byte ^ (place % 7 == 0) for place, byte in enumerate(other[0x1000:]))
    (directory / "u.bin").write_bytes(other)
    schema = path.with_name("t.schema.toml").read_text("utf-8")
    ram = Region(EVIL, evil_files.BASE, len(other))
    about = About(schema, path.read_text("utf-8"), EVIL, EVIL, [ram])
    for recording in ("rude.mcap", "marked.mcap"):
        marks = recording == "marked.mcap"
        with Recorder(directory / recording, about, marks=marks) as recorder:
            parts = [(Span(ram.start, ram.size), (directory / "t.bin").read_bytes())]
            recorder.frame(1, 1.7e9, Consistency.STILL, parts)
            if marks:
                recorder.mark(1, EVIL)
    walks = {"moves": {EVIL: {"steps": [{"to": "x", "add": 0.5}]}}}
    (directory / "walks.toml").write_text(evil_files.toml({"walks": walks}), "utf-8")
    kept = directory / "kept.expect.toml"
    named = path.with_name("r.bridge.toml")  # no TOML holds a name that is not UTF-8
    named.write_bytes(path.read_bytes())
    words = ["expect", str(named), "--dump", str(directory / "t.bin"), "--to", str(kept)]
    assert lowhalf(*words).returncode == 0
    told = kept.read_text("utf-8")
    assert steering(told) == []
    packed = ["pack", str(named), str(directory / "rude.zip"), "--title", EVIL.replace("\0", "")]
    assert lowhalf(*packed).returncode == 0
    names = [*good_files(), File(f"notes/{EVIL}".encode(), flags=0x800)]
    (directory / "names.zip").write_bytes(made_archive(names))
    manifest = [File(b"manifest.toml", f"format = {json.dumps(EVIL)}".encode())]
    (directory / "manifest.zip").write_bytes(made_archive(manifest))
    assert lowhalf("verify", str(kept)).returncode == 0
    wrong = re.sub(r'value = "(?:[^"\\]|\\.)*"', 'value = "=x"', told, count=1)
    assert wrong != told
    (directory / "rude.expect.toml").write_text(wrong, "utf-8")
    renamed = text.replace('game = "', 'game = "x', 1)
    (directory / "other.layout.toml").write_text(renamed, "utf-8")
    return path


def words(rude: Path, line: tuple[str, ...], new: Path) -> list[str]:
    there = {BRIDGE: rude, SCHEMA_FILE: rude.with_name("t.schema.toml"), NEW: new}
    there[ZIP] = new.with_name(f"{new.name}.zip")
    beside = {file.name: file for file in rude.parent.iterdir()}
    return [line[0], *(str(there.get(word, beside.get(word, word))) for word in line[1:])]


@pytest.mark.parametrize("line", LINES, ids=map(_name, LINES))
def test_a_command_prints_nothing_that_steers(
    line: tuple[str, ...], rude: Path, tmp_path: Path
) -> None:
    """As a user runs it: the bytes of both streams are UTF-8 and harmless."""
    arguments = words(rude, line, tmp_path / f"{FILE_NAME[:60]}.new")
    done = lowhalf(*_no_nul(arguments), timeout=120)
    out, err = done.stdout, done.stderr
    assert done.returncode in (0, 1, 2, 3), err
    assert "Traceback" not in err
    assert out or err
    assert_harmless(out)
    assert_harmless(err)
    if "--json" in line:
        assert done.returncode in (0, 1), err
        for each in out.splitlines():
            json.loads(each)


_TAKE_CARE = ("read", "explain", "heap", "where", "check", "sheet")
IN_PROCESS = [line for line in LINES if line[0] in _TAKE_CARE]


@pytest.mark.parametrize("line", IN_PROCESS, ids=map(_name, IN_PROCESS))
def test_a_command_takes_care_itself(
    line: tuple[str, ...], rude: Path, tmp_path: Path, capsys: Capture
) -> None:
    """Without the streams' own guard: columns fit what is shown, and JSON stays JSON."""
    _, out, err = shown(capsys, *_no_nul(words(rude, line, tmp_path / "new")))
    assert_harmless(out)
    assert_harmless(err)


def _no_nul(arguments: list[str]) -> list[str]:
    """No argument can hold it (POSIX, exec)."""
    return [argument.replace("\0", "") for argument in arguments]


def test_json_is_the_exact_text_of_the_guest(rude: Path, capsys: Capture) -> None:
    _, out, _ = shown(capsys, "read", rude, "--json")
    named = json.loads(out)["readings"][0]
    assert named["status"] == "ok"
    assert named["value"] == evil_files.GUEST.split(b"\0")[0].decode()


# -- kept attempts as CSV


def test_csv_is_harmless_in_a_terminal_and_in_a_spreadsheet(rude: Path, capsys: Capture) -> None:
    code, out, err = shown(capsys, "attempts", rude, "--csv")
    assert (code, err) == (0, "")
    assert_harmless(out)
    head, row = csv.reader(io.StringIO(out))
    cells = dict(zip(head, row, strict=True))
    assert len(cells) == len(head) >= 14
    assert cells["build"].startswith(r"'=Wren\x1b[2J")
    assert cells["reason"].startswith(r"'@Wren\x1b[2J")
    assert (cells["attempt"], cells["seconds"], cells["deep"]) == ("1", "1.5", "-5")
    assert [cell for cell in (*head, *row) if cell[:1] in set("=+-@\t\r") and cell != "-5"] == []


# -- names in and of dumps


def _two_members(path: Path) -> None:
    with zipfile.ZipFile(path, "w") as archive:
        for number in (1, 2):
            archive.writestr(f"{number}{EVIL.replace(chr(0), '')}.bin", bytes(64))


def _damaged_member(path: Path) -> None:
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(f"{EVIL.replace(chr(0), '')}.bin", b"light" * 999)
    data = bytearray(path.read_bytes())
    data[-2000:-1990] = b"dark" * 2 + b"!!"
    path.write_bytes(data)


@pytest.mark.parametrize("make", [_two_members, _damaged_member])
@pytest.mark.parametrize("named", ["ram.zip", f"{FILE_NAME[:60]}.zip"], ids=["plain", "rude"])
def test_names_of_zip_members_and_of_dumps(
    make: Callable[[Path], None], named: str, tmp_path: Path, capsys: Capture
) -> None:
    bridge = files.write(tmp_path)
    dump = tmp_path / named
    make(dump)
    for form in ((), ("--json",)):
        code, out, err = shown(capsys, "read", bridge, "--dump", dump, *form)
        assert (code, out) == (3, "")
        assert_harmless(err)
        assert err.count("\n") == 1
    if make is _two_members:
        assert r"Wren\x1b[2J" in err


# -- a command that takes no care


SPOILED = f"""
import logging, sys, warnings
from adapters.commands import main, sources
EVIL = {EVIL + LONE!r}
def run(arguments):
    print(EVIL.replace({chr(10)!r}, " "))
    sys.stdout.write(EVIL.replace({chr(10)!r}, " "))
    sys.stdout.writelines([EVIL.replace({chr(10)!r}, " ")])
    print(EVIL.replace({chr(10)!r}, " "), file=sys.stderr)
    warnings.warn(EVIL.replace({chr(10)!r}, " "))
    logging.getLogger("stranger").error("%s", EVIL.replace({chr(10)!r}, " "))
    return 0
sources.run = run
raise SystemExit(main.main(["sources"]))
"""


def test_what_a_command_prints_without_thought_is_escaped_by_the_stream() -> None:
    done = subprocess.run(
        [sys.executable, "-c", SPOILED],
        capture_output=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"},
    )
    assert done.returncode == 0
    out, err = done.stdout.decode("utf-8"), done.stderr.decode("utf-8")
    assert (steering(out), steering(err)) == ([], [])
    assert out.count(r"Wren\x1b[2J") == 3
    assert err.count(r"Wren\x1b[2J") >= 3


def test_an_argument_that_is_refused_is_shown_harmless() -> None:
    rude = _no_nul([EVIL])[0]
    for arguments in ((rude,), ("read", "x.toml", rude), ("solve", "hex", rude, "1")):
        done = lowhalf(*arguments)
        assert done.returncode == 2
        assert (done.stdout, steering(done.stderr)) == ("", [])
        assert r"Wren\x1b[2J" in done.stderr


def read_terminal(command: list[str]) -> str:
    """What a command writes to a terminal of its own; its line ends are line feeds."""
    ours, its = os.openpty()
    environment = {"PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8", "TERM": "xterm-256color"}
    kept = {name: value for name, value in os.environ.items() if name != "NO_COLOR"}
    with subprocess.Popen(
        command, stdin=its, stdout=its, stderr=its, env={**kept, **environment}
    ) as running:
        os.close(its)
        written = bytearray()
        try:
            while part := os.read(ours, 1 << 16):
                written += part
        except OSError:  # how Linux says that the other end was closed
            pass
        finally:
            os.close(ours)
    assert running.returncode in (0, 1)
    return written.decode("utf-8").replace("\r\n", "\n")


SGR = re.compile(r"\x1b\[[0-9;]*m")
VIEW = re.compile(r"\x1b\[(?:\?25[hl]|[0-9;]*[ABGHJKm])")


def test_colours_of_ours_are_all_that_reaches_a_terminal(rude: Path) -> None:
    """The strip of ``heap`` and the table of ``run``, on a terminal (pty(7)), past the guard."""
    start = [sys.executable, "-m", "adapters.commands"]
    heap = read_terminal([*start, "heap", str(rude)])
    assert SGR.search(heap) is not None
    assert_harmless(SGR.sub("", heap))
    assert r"|Wren\x1b[2J" in SGR.sub("", heap)
    table = read_terminal([*start, "run", str(rude), "--seconds", "1"])
    assert VIEW.search(table) is not None
    assert_harmless(VIEW.sub("", table).replace("\r", ""))
    assert r"Wren\x1b[2J" in VIEW.sub("", table)


# -- the ways around the rule


def _calls(path: Path) -> list[str]:
    """Of a module: what it takes of ``sys`` and what it calls, as they are written."""
    tree = ast.parse(path.read_text("utf-8"))
    return [
        ast.unparse(node.func if isinstance(node, ast.Call) else node)
        for node in ast.walk(tree)
        if isinstance(node, ast.Call | ast.Attribute)
    ]


def _users(*names: str) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {name: set() for name in names}
    for path in (ROOT / "adapters").rglob("*.py"):
        calls = _calls(path)
        for name in names:
            if name in calls:
                found[name].add(path.relative_to(ROOT / "adapters").as_posix())
    return found


def test_nothing_writes_past_the_streams_that_escape() -> None:
    """Each file here was looked at: what it lets out is escaped before."""
    users: dict[str, Any] = _users(
        *("sys.stderr", "styled", "json.dump", "os.write", "sys.stdout.buffer", "sys.__stdout__")
    )
    assert users["sys.stderr"] == {
        "commands/console/log_lines.py",
        "commands/console/standard_streams.py",
        "commands/console/telling.py",
        "commands/planning/searching.py",  # numbers alone
        "commands/run.py",  # counts of its own
    }
    assert users["styled"] == {
        "commands/heap.py",
        "commands/planning/searching.py",  # numbers alone
        "commands/planning/shown.py",
        "commands/planning/simulated.py",
    }
    assert users["sys.__stdout__"] == {"commands/console/standard_streams.py"}
    assert users["json.dump"] == users["os.write"] == set()
    assert users["sys.stdout.buffer"] == {"exports/row_files.py"}


def test_the_rude_text_would_forge_a_line() -> None:
    assert EVIL.split("\n")[1].startswith(FORGED)
    with pytest.raises(AssertionError):
        assert_harmless(EVIL)
