"""``lowhalf demo``: what it keeps lies elsewhere than its own files, and is gone at its end."""

from __future__ import annotations

import argparse
import shutil
import sqlite3
import tempfile
from pathlib import Path

import pytest

from adapters.commands import demo
from adapters.commands.main import main
from adapters.commands.run import run_bridge
from adapters.practice_log.database import open_for_reading, read_attempts
from bridge.practice.attempts import Outcome
from schemas.loader import Bridge, load_bridge

ROOT = Path(__file__).parents[2]


def test_only_the_place_of_the_attempts_is_another(tmp_path: Path) -> None:
    bridge = load_bridge(demo.demo_bridge())
    moved = demo.keeping_in(bridge, tmp_path)
    assert moved.attempts_path == tmp_path / "demo.attempts.sqlite"
    assert bridge.attempts_path == ROOT / "sample_dumps" / "demo.attempts.sqlite"
    assert moved.file.attempts is not None
    assert bridge.file.attempts is not None
    own = bridge.file.attempts
    assert moved.file.attempts.model_copy(update={"file": own.file}) == own
    assert moved.file.model_copy(update={"attempts": own}) == bridge.file


def test_attempts_are_kept_while_it_runs_and_nothing_is_left_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    packaged, temporary = tmp_path / "sample_dumps", tmp_path / "temporary"
    packaged.mkdir()
    temporary.mkdir()
    for name in ("demo.bridge.toml", "demo.mcap", "demo.layout.toml"):
        shutil.copy(ROOT / "sample_dumps" / name, packaged)
    copy = packaged / "demo.bridge.toml"
    text = copy.read_text("utf-8").replace("127.0.0.1:7365", "127.0.0.1:0")
    schemas = (ROOT / "schemas").as_posix()
    copy.write_text(text.replace("../schemas", schemas).replace("[source]", "[source]\nspeed = 8"))
    before = sorted(packaged.iterdir())
    kept: list[Outcome] = []

    def run(bridge: Bridge, arguments: argparse.Namespace, *, spare_ports: int) -> int:
        assert spare_ports == demo.SPARE_PORTS
        assert bridge.attempts_path.parent.parent == temporary
        code = run_bridge(bridge, arguments, spare_ports=spare_ports)
        database = open_for_reading(bridge.attempts_path)
        try:
            kept.extend(each.outcome for each in read_attempts(database, running=False))
        finally:
            database.close()
        return code

    monkeypatch.setattr(demo, "demo_bridge", lambda: copy)
    monkeypatch.setattr(demo, "run_bridge", run)
    monkeypatch.setattr(tempfile, "tempdir", str(temporary))
    assert main(["demo", "--quiet", "--seconds", "6"]) == 0
    assert Outcome.FAILED in kept
    assert Outcome.SUCCESS in kept
    assert sorted(packaged.iterdir()) == before
    assert list(temporary.iterdir()) == []


def test_nothing_is_left_behind_where_it_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def run(bridge: Bridge, arguments: argparse.Namespace, *, spare_ports: int) -> int:
        sqlite3.connect(bridge.attempts_path).close()
        raise KeyboardInterrupt

    monkeypatch.setattr(demo, "run_bridge", run)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    with pytest.raises(KeyboardInterrupt):
        demo.run(argparse.Namespace(listen=None))
    assert list(tmp_path.iterdir()) == []
