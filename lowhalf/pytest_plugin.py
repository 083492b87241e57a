"""The pytest plugin: collects files of expectations (``*.expect.toml``), and offers fixtures.

Nothing of lowhalf is imported into pytest's process.  Its packages have names that a project under
test may well use itself, such as ``schemas``, and a run that needs nothing of it must cost nothing.
So what is asked is answered by a process of its own (``adapters/pytest_plugin/``), which is started
when the first question comes and ends with pytest's; each worker of xdist has one.

    lowhalf_bridge   the path of the bridge file: the setting of that name, or your own fixture's
    lowhalf_dump     reads one moment of a dump or a recording by it
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

__all__ = ["Dump", "NotAsExpected", "NotRead", "Reading"]

ENDING = ".expect.toml"

BEGIN = """
import sys
from importlib.machinery import PathFinder
from importlib.util import module_from_spec
for name in ("schemas", "bridge", "adapters", "lowhalf"):
    spec = PathFinder.find_spec(name, [sys.argv[1]])
    sys.modules[name] = module_from_spec(spec)
    spec.loader.exec_module(sys.modules[name])
from adapters.pytest_plugin.answering import main
main()
"""
"""Its packages come from beside this one, whatever else goes by these names."""


class NotRead(Exception):
    """A dump could not be read, or a file is wrong; the message says which, and why."""


class NotAsExpected(Exception):
    """An expectation does not hold."""


@dataclass(frozen=True)
class Reading:
    """What a watch or an expression gave.

    ``value`` is None where there is none; then ``status`` and ``reason`` say why.  ``text`` is the
    value as it is shown, ``address`` where it was read, ``target`` hit, miss, unknown or None.
    """

    watch: str
    status: str
    value: int | float | bool | str | None
    text: str
    address: int | None
    target: str | None
    reason: str


class Dump:
    """One moment of a dump or a recording: ``dump["held_kind"].value``.

    It is asked for a watch of the bridge file, or for any expression.
    """

    def __init__(self, path: Path, found: Mapping[str, Any], ask: Callable[[str], Any]) -> None:
        self.path = path
        self.frame: int = found["frame"]
        self.build: str = found["build"]
        self.consistency: str = found["consistency"]
        self.readings = {each["watch"]: Reading(**each) for each in found["readings"]}
        """The bridge file's watches by their names."""
        self._ask = ask

    def __getitem__(self, expression: str) -> Reading:
        """The reading of a watch or an expression.  Raises NotRead where that is wrong."""
        if expression not in self.readings:
            found = self._ask(expression)["readings"]
            each = next(each for each in found if each["watch"] == expression)
            self.readings[expression] = Reading(**each)
        return self.readings[expression]

    def __repr__(self) -> str:
        return f"<{self.path.name}, frame {self.frame}, build {self.build}>"


class _Answering:
    """The process that answers."""

    def __init__(self) -> None:
        self._errors = tempfile.TemporaryFile()  # noqa: SIM115 - closed by end
        root = Path(__file__).resolve().parents[1]
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-c", BEGIN, str(root)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._errors,
            encoding="ascii",
        )

    def ask(self, **question: Any) -> Any:
        """The answer.  Raises NotRead where a file or a dump is wrong."""
        process = self._process
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            process.stdin.write(json.dumps(question) + "\n")
            process.stdin.flush()
            line = process.stdout.readline()
        except OSError:
            line = ""
        if not line:
            code = process.wait(10)
            self._errors.seek(0)
            said = self._errors.read().decode("utf-8", "replace")
            raise RuntimeError(f"lowhalf's process has ended with {code}:\n{said}")
        found = json.loads(line)
        if "wrong" in found:
            raise NotRead(found["wrong"])
        return found

    def end(self) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        for stream in (self._process.stdin, self._process.stdout):
            try:
                stream.close()
            except OSError:  # it has ended in the middle of a question
                pass
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._errors.close()


_PROCESS = pytest.StashKey[_Answering]()


def _answering(config: pytest.Config) -> _Answering:
    if _PROCESS not in config.stash:
        config.stash[_PROCESS] = _Answering()
    return config.stash[_PROCESS]


def pytest_addoption(parser: pytest.Parser) -> None:
    """The setting ``lowhalf_bridge``."""
    about = "the bridge file by which lowhalf_dump reads, relative to the settings' file"
    parser.addini("lowhalf_bridge", about, default="")


def pytest_unconfigure(config: pytest.Config) -> None:
    """The process ends with pytest."""
    if _PROCESS in config.stash:
        config.stash[_PROCESS].end()
        del config.stash[_PROCESS]


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    """A file of expectations is a module of tests."""
    if not file_path.name.endswith(ENDING):
        return None
    collector: pytest.Collector = ExpectFile.from_parent(parent, path=file_path)
    return collector


class ExpectFile(pytest.File):
    """A file of expectations.  A moment is read when the first expectation of it is looked at."""

    def collect(self) -> Iterator[pytest.Item]:
        try:
            found = _answering(self.config).ask(collect=str(self.path))["expectations"]
        except NotRead as fault:
            raise self.CollectError(str(fault)) from None
        self._moments: dict[int, list[Mapping[str, Any]]] = {}
        taken: dict[str, int] = {}
        of_moment: dict[int, int] = {}
        for each in found:
            name = _in_an_id(f"{each['name']} {each['expression']}")
            taken[name] = taken.get(name, 0) + 1
            if taken[name] > 1:
                name += f" #{taken[name]}"
            moment = each["moment"]
            number = of_moment[moment] = of_moment.get(moment, -1) + 1
            yield ExpectItem.from_parent(
                self, name=name, moment=moment, number=number, line=each["line"]
            )

    def verdict(self, item: ExpectItem) -> Mapping[str, Any]:
        """What became of an expectation."""
        if item.moment not in self._moments:
            found = _answering(self.config).ask(look=str(self.path), moment=item.moment)
            self._moments |= {int(moment): each for moment, each in found["moments"].items()}
            for note in found["notes"]:
                item.add_report_section("call", "lowhalf", note)
        return self._moments[item.moment][item.number]


class ExpectItem(pytest.Item):
    """One expectation: expectation *number* of *moment*, on *line* of the file."""

    def __init__(self, *, moment: int, number: int, line: int, **rest: Any) -> None:
        super().__init__(**rest)
        self.moment, self.number, self.line = moment, number, line

    def runtest(self) -> None:
        assert isinstance(self.parent, ExpectFile)
        verdict = self.parent.verdict(self)
        if not verdict["passed"]:
            raise NotAsExpected(f"expected {verdict['expected']}, found {verdict['found']}")

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], *more: Any) -> Any:
        if isinstance(excinfo.value, NotAsExpected | NotRead):
            return f"{self.path}:{self.line}: {excinfo.value}"
        return super().repr_failure(excinfo, *more)

    def reportinfo(self) -> tuple[Path, int, str]:
        return self.path, max(self.line - 1, 0), self.name


def _in_an_id(text: str) -> str:
    """A text in which nothing steers, and nothing divides the id of a test."""
    seen = (c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)
    return "".join(seen).replace("::", ":")


@pytest.fixture
def lowhalf_bridge(pytestconfig: pytest.Config) -> Path:
    """The path of the bridge file by which lowhalf_dump reads; write your own to give another."""
    named = pytestconfig.getini("lowhalf_bridge")
    if not named:
        pytest.fail(
            "no bridge file: set lowhalf_bridge in pytest's settings, "
            "or write a fixture of that name that returns its path",
            pytrace=False,
        )
    beside = pytestconfig.inipath.parent if pytestconfig.inipath else pytestconfig.rootpath
    return Path(beside / named)


@pytest.fixture
def lowhalf_dump(
    request: pytest.FixtureRequest, pytestconfig: pytest.Config, lowhalf_bridge: Path | str
) -> Callable[..., Dump]:
    """``lowhalf_dump(PATH, frame=None)``: one moment of a dump or a recording, as a Dump.

    A relative PATH is beside the test's file, and so is the bridge file's.  ``frame`` is of a
    recording the frame that the game counts so; else it is the first.  Raises NotRead.
    """
    beside = request.path.parent

    def read(path: Path | str, *, frame: int | None = None) -> Dump:
        bridge, dump = beside / lowhalf_bridge, beside / path

        def ask(*watches: str) -> Any:
            answering = _answering(pytestconfig)
            words = {"bridge": str(bridge), "frame": frame, "watches": watches}
            return answering.ask(read=str(dump), **words)["frame"]

        return Dump(dump, ask(), ask)

    return read
