"""What every test may use."""

from __future__ import annotations

import asyncio
import gc
import os
import re
import signal
import sys
from collections import Counter
from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from pathlib import Path

import pytest
import pytest_asyncio
from hypothesis import HealthCheck, settings

from adapters.system_clock import FineLoop
from tests.adapters.browser import Page, chromium, new_page
from tests.guest.build import BUILDS, build_once, build_played_once
from tests.packages import missing
from tests.systems import cannot_run_here
from tests.virtual_time import LoopbackLoop

# machines are noisy: how long an example takes says nothing
settings.register_profile("lowhalf", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("lowhalf")


TESTS = Path(__file__).parent
ALONE = frozenset(
    [
        "adapters/test_overlay_many_pages.py",
        "adapters/test_web_flood.py",
        "benchmarks/test_overlay_delay.py",
    ]
)
"""Modules whose tests follow a game, a film or a crowd in real time: they have the
machine for themselves (``-m timing``), and all others share it."""

LONG = frozenset(
    [
        "adapters/clients/test_c.py",
        "adapters/clients/test_lua.py",
        "adapters/dumps/test_bombs.py",
        "adapters/sources/test_debugger_live.py",
        "adapters/sources/test_process.py",
        "adapters/test_json_shapes.py",
        "adapters/test_mqtt_far.py",
        "adapters/test_mqtt_healing.py",
        "adapters/test_overlay_flashes.py",
        "adapters/test_overlay_look.py",
        "adapters/test_overlay_many_pages.py",
        "adapters/test_overlay_token.py",
        "adapters/test_overlay_truth.py",
        "adapters/test_recording_bombs.py",
        "adapters/test_recording_elsewhere.py",
        "adapters/test_terminal_session.py",
        "adapters/test_web_flood.py",
        "adapters/test_web_terminal.py",
        "benchmarks/test_alignment.py",
        "benchmarks/test_evaluation.py",
        "benchmarks/test_heap_walk.py",
        "benchmarks/test_live_sources.py",
        "benchmarks/test_many_dumps.py",
        "benchmarks/test_query.py",
        "benchmarks/test_questions.py",
        "benchmarks/test_recording.py",
        "benchmarks/test_solvers.py",
        "benchmarks/test_torn_frames.py",
        "commands/test_added_kinds.py",
        "commands/test_attach.py",
        "commands/test_attempts.py",
        "commands/test_broken_streams.py",
        "commands/test_daemon_ends.py",
        "commands/test_demo.py",
        "commands/test_extending_pages.py",
        "commands/test_imports.py",
        "commands/test_interrupted.py",
        "commands/test_layout.py",
        "commands/test_lost_attempts.py",
        "commands/test_other_peoples_texts.py",
        "commands/test_pytest_plugin.py",
        "commands/test_stats.py",
        "commands/test_worker_processes.py",
        "outside/test_fuzz_expressions.py",
        "outside/test_fuzz_recordings.py",
        "outside/test_gdb_agrees.py",
        "outside/test_plans_on_guest.py",
        "outside/test_slips_on_guest.py",
        "outside/test_walks_on_guest.py",
        "outside/test_random_schemas.py",
        "outside/test_recordings_against_qemu.py",
        "test_counters_live.py",
        "test_long_run.py",
        "test_macos.py",
        "test_practice_live.py",
        "test_python_reference.py",
        "test_restarts.py",
        "test_site.py",
        "test_tutorials.py",
        "windows",
    ]
)
"""Modules, and a folder, that take long, since they start interpreters, guests and films without
end: not in the usual run, so that it is a matter of minutes, but in that of ``.ci/run``
(``-m long``)."""

FIRST = (
    "test_tutorials.py",
    "test_site.py",
    "test_practice_live.py",
    "windows/test_live.py",
    "windows/test_daemon.py",
    "windows/test_installed.py",
    "adapters/sources/test_debugger_live.py",
    "adapters/test_mqtt_far.py",
    "commands/test_attempts.py",
    "commands/test_stats.py",
    "commands/test_demo.py",
    "test_restarts.py",
    "test_long_run.py",
    "test_counters_live.py",
    "test_macos.py",
    "adapters/sources/test_process.py",
    "adapters/test_web_terminal.py",
    "adapters/test_mqtt_healing.py",
    "outside/test_recordings_against_qemu.py",
    "adapters/test_mqtt_broker.py",
    "commands/test_record.py",
    "adapters/pasts/test_moments.py",
    "adapters/pasts/test_which.py",
    "adapters/pasts/test_process.py",
    "adapters/pasts/test_asked.py",
    "adapters/test_desk_page.py",
    "adapters/test_looking_back.py",
    "adapters/test_last_minute.py",
    "adapters/test_terminal_keys.py",
    "adapters/test_mqtt_faults.py",
    "adapters/test_mqtt_heap_events.py",
    "commands/test_events.py",
    "commands/test_paces.py",
    "commands/test_tally.py",
    "test_heap_events_live.py",
)
"""Modules whose tests take longest, so that no worker begins with one of them at the end."""


def pytest_configure(config: pytest.Config) -> None:
    """What the tests and all that they start begin with, however they are started.

    What was started in the background ignores signals, and so would all that it starts.  Where no
    compiled modules may lie beside the sources, they lie in pytest's cache: else each process that
    a test starts compiles all of them anew.
    """
    if sys.dont_write_bytecode:
        sys.dont_write_bytecode = False
        sys.pycache_prefix = str(TESTS.parent / ".pytest_cache" / "compiled")
        os.environ["PYTHONPYCACHEPREFIX"] = sys.pycache_prefix
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    config.option.loadscopereorder = False  # of xdist: modules are given out in our own order
    for name in ("SIGINT", "SIGHUP", "SIGQUIT"):
        number = getattr(signal, name, None)  # Windows has one of them
        if number is not None and signal.getsignal(number) is signal.SIG_IGN:
            usual = signal.default_int_handler if name == "SIGINT" else signal.SIG_DFL
            signal.signal(number, usual)


def pytest_asyncio_loop_factories(
    config: pytest.Config, item: pytest.Item
) -> Mapping[str, Callable[[], asyncio.AbstractEventLoop]]:
    """The event loop of a test: as lowhalf itself chooses it (``StopSignals.run``)."""
    if item.get_closest_marker("loopback"):
        return {"loopback": LoopbackLoop}
    on_windows = sys.platform == "win32"
    return {"real": FineLoop if on_windows else asyncio.new_event_loop}


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """A module that can hold nothing of what ``-m`` asks for is not even imported."""
    asked = config.getoption("markexpr")
    named = {Path(word.partition("::")[0]).resolve() for word in config.args}
    if collection_path.suffix != ".py" or named & (
        {collection_path, collection_path.parent} - {TESTS}
    ):
        return None
    if re.search(r"\b(?:or|full)\b", asked):
        return None
    folder = collection_path.parent.relative_to(TESTS).as_posix()
    names = {folder, collection_path.relative_to(TESTS).as_posix()}
    if names & LONG and not re.search(r"\blong\b", asked):
        return True
    for mark, modules in (("long", LONG), ("timing", ALONE)):
        wanted = re.search(rf"(?<!not )\b{mark}\b", asked)
        if (
            wanted
            and not names & modules
            and f"mark.{mark}" not in collection_path.read_text("utf-8")
        ):
            return True
    return None


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Mark what needs the machine for itself; skip a test that needs a Debian package by its name,
    or another system.

    Before pytest selects by marks.  What is full-size runs only where ``-m`` names it, what is long
    also where its file, or its folder, is named.
    """
    named = {Path(word.partition("::")[0]).resolve() for word in config.args}
    for item in items:
        module = item.path.relative_to(TESTS).as_posix()
        if module in ALONE:
            item.add_marker("timing")
        long = {TESTS / place for place in LONG} & {item.path, item.path.parent}
        if long and not named & {item.path, *long} and not item.get_closest_marker("full"):
            item.add_marker("long")
    for name in ("long", "full"):
        if not re.search(rf"\b{name}\b", config.getoption("markexpr")):
            unnamed = [item for item in items if item.get_closest_marker(name)]
            items[:] = [item for item in items if not item.get_closest_marker(name)]
            config.hook.pytest_deselected(items=unnamed)
    for item in items:
        if reason := cannot_run_here(item):
            item.add_marker(pytest.mark.skip(reason=reason))
        for mark in item.iter_markers("needs"):
            if reason := missing(*mark.args):
                item.add_marker(pytest.mark.skip(reason=reason))
    turns = {name: turn for turn, name in enumerate(FIRST)}
    sizes = Counter(item.path for item in items)

    def turn(item: pytest.Item) -> tuple[int, int, Path]:
        module = item.path.relative_to(TESTS).as_posix()
        return turns.get(module, len(FIRST)), -sizes[item.path], item.path

    items.sort(key=turn)


def pytest_collection_finish() -> None:
    """Thousands of tests and all modules are not looked through again by each collection.

    It would be counted as the processor's time of whatever is being measured just then.
    """
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The DevTools address of a chromium."""
    with chromium(tmp_path_factory.mktemp("profile")) as address:
        yield address


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def tab(browser: str) -> AsyncIterator[Page]:
    """A tab for the tests of a module, in a browser context of its own; they take it by `page`."""
    async with new_page(browser) as opened:
        yield opened


@pytest_asyncio.fixture(loop_scope="module")
async def page(tab: Page, request: pytest.FixtureRequest) -> AsyncIterator[Page]:
    """The module's tab as if it were new; at the end the browser must have found nothing wrong.

    A module's SCREEN is its width and height.
    """
    width, height = getattr(request.module, "SCREEN", (800, 600))
    await tab.renew(width, height)
    yield tab
    assert tab.faults == []


@pytest.fixture(scope="session")
def elves(pytestconfig: pytest.Config, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The released versions of the demo game by name, compiled once and kept in pytest's cache."""
    cache = getattr(pytestconfig, "cache", None)  # pytest may run without one
    return build_once(cache.mkdir("guest") if cache else tmp_path_factory.mktemp("guest"))


@pytest.fixture(scope="session")
def played_elf(
    pytestconfig: pytest.Config, tmp_path_factory: pytest.TempPathFactory
) -> Callable[[str, str | None], Path]:
    """Gives the demo game that is played from outside: of a build, with an allocator or its own."""
    cache = getattr(pytestconfig, "cache", None)
    directory = cache.mkdir("guest") if cache else tmp_path_factory.mktemp("guest")
    builds = {each.name: each for each in BUILDS}
    return lambda build, allocator: build_played_once(directory, builds[build], allocator)


@pytest.fixture(scope="session")
def elf(elves: dict[str, Path]) -> Path:
    """The first released version of the demo game."""
    return elves["first-print"]
