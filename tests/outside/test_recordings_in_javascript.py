"""Recordings read by npm's @mcap/core, as by programs that show MCAP files in a browser.

Not in ``.ci/run``: npm fetches the packages anew.  By hand:
``python -m pytest -m full tests/outside/test_recordings_in_javascript.py``.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import struct
import subprocess
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from mcap.reader import make_reader

from adapters.recordings.recorder import Recorder
from bridge.memory.address_map import Span
from bridge.ports.source import Consistency
from tests.adapters.test_recording import ABOUT, BASE, SIZE, moments

DEMO = Path(__file__).parents[2] / "sample_dumps" / "demo.mcap"
SCRIPT = Path(__file__).with_name("read_mcap.mjs")
PACKAGES = ("@mcap/core@2", "@mcap/nodejs@1", "@mcap/support@1")
pytestmark = [
    pytest.mark.full,
    pytest.mark.needs("nodejs", "node"),
    pytest.mark.needs("npm", "npm"),
]


@pytest.fixture(scope="module")
def script(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The script beside the packages that it reads with."""
    folder = tmp_path_factory.mktemp("npm")
    words = ["npm", "install", "--no-audit", "--no-fund", "--silent", *PACKAGES]
    subprocess.run(words, cwd=folder, check=True, timeout=120)
    return Path(shutil.copy(SCRIPT, folder))


def in_javascript(script: Path, path: Path) -> dict[str, Any]:
    """What the script found in a file."""
    done = subprocess.run(
        ["node", str(script), str(path)], capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def by_python(path: Path) -> dict[str, Any]:
    """The same by Python's mcap."""
    counts: Counter[str] = Counter()
    digests: dict[str, Any] = {}
    with path.open("rb") as stream:
        for _, channel, message in make_reader(stream).iter_messages(log_time_order=False):
            counts[channel.topic] += 1
            digest = digests.setdefault(channel.topic, hashlib.sha256())
            digest.update(struct.pack("<Q", message.log_time) + message.data)
    return {"counts": counts, "digests": {t: d.hexdigest() for t, d in digests.items()}}


def test_it_reads_what_python_reads(tmp_path: Path, script: Path) -> None:
    path = tmp_path / "a.mcap"
    with Recorder(path, ABOUT) as recorder:
        for moment in moments(300):
            whole = [(Span(BASE, SIZE), moment.image)]
            recorder.frame(moment.number, moment.time, Consistency.GUARDED, whole)
            recorder.readings({"frame": moment.number, "readings": []})
    for each in (path, DEMO):
        found, expected = in_javascript(script, each), by_python(each)
        assert expected["counts"]["lowhalf/ram"] >= 300
        for way in ("indexed", "streamed"):
            assert {key: found[way][key] for key in ("counts", "digests")} == expected, way
        assert found["streamed"]["whole"]
        assert found["indexed"]["library"].startswith("lowhalf")
    attached = in_javascript(script, path)["indexed"]
    assert attached["attachments"]["schema.toml"] == ABOUT.schema
    assert attached["attachments"]["bridge.toml"] == ABOUT.bridge
    ((name, about),) = attached["metadata"]
    assert (name, about["build"], about["source"]) == ("lowhalf", ABOUT.build, ABOUT.source)


def test_one_that_was_never_closed_is_read_as_a_stream(tmp_path: Path, script: Path) -> None:
    """It has no index; the stream has all that is whole, as we have."""
    path = tmp_path / "a.mcap"
    recorder = Recorder(path, ABOUT)
    for moment in moments(200):
        whole = [(Span(BASE, SIZE), moment.image)]
        recorder.frame(moment.number, moment.time, Consistency.GUARDED, whole)
    recorder.abandon()
    text = SCRIPT.read_text("utf-8").replace("indexed: await indexed(), ", "")
    alone = script.with_name("stream.mjs")
    alone.write_text(text, "utf-8")
    found = in_javascript(alone, path)["streamed"]
    assert found["counts"]["lowhalf/ram"] == 180
    assert not found["whole"]
