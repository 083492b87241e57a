"""``lowhalf run``: the daemon."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import gc
import logging
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING, Protocol, TextIO, runtime_checkable

from adapters.commands.console.bridge_argument import (
    add_bridge_argument,
    given_bridge,
    require_source,
)
from adapters.commands.console.log_lines import log_to
from adapters.commands.console.page_in_browser import show_page
from adapters.commands.console.step_lines import read_steps
from adapters.commands.console.stopped import Stopped
from adapters.commands.console.telling import tell
from adapters.commands.console.until_stopped import StopSignals, run_until_stopped
from adapters.functions import installed_functions
from adapters.outputs.catalogue import Show, make_outputs
from adapters.outputs.surroundings import OutputSurroundings
from adapters.practice_log.tracker import make_practice_tracker
from adapters.sessions.desk_reads import history_of, tallies_of
from adapters.sessions.followed_plan import make_plan_tracker
from adapters.sessions.setup import for_source, sampling_setup
from adapters.sources.catalogue import make_source
from bridge.daemon import Daemon
from bridge.ports.controls import Controls
from bridge.ports.output import Output
from bridge.prepared import PreparedBuild, prepare, with_heap
from bridge.questions.question import Questions
from schemas.errors import LowhalfError
from schemas.loader import Bridge
from schemas.output_settings import OverlayOutput
from schemas.system_words import system_words

if TYPE_CHECKING:
    from adapters.json_forms.tallies import Counts
    from bridge.ports.pasts import Pasts
    from bridge.sampling.practice_tracker import PracticeTracker

__all__ = [
    "CHILD_GRACE",
    "SPARE_PORTS",
    "add_arguments",
    "add_output_arguments",
    "outputs_of",
    "run",
    "run_bridge",
]

SPARE_PORTS = 20
"""Ports after the pages' own that are tried where that is in use, and nobody named one."""
CHILD_GRACE = 2.0
"""Seconds that COMMAND has to end by itself once it is asked to."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_bridge_argument(parser)
    add_output_arguments(parser)
    parser.usage = "lowhalf run [options] BRIDGE.toml [-- COMMAND …]"
    parser.epilog = "COMMAND, such as the emulator, is started first; both end together"


def add_output_arguments(parser: argparse.ArgumentParser) -> None:
    group = parser.add_mutually_exclusive_group()
    group.add_argument("--json", action="store_true", help="print a JSON object a frame")
    group.add_argument("--quiet", action="store_true", help="print nothing but the log")
    parser.add_argument(
        "--listen",
        metavar="ADDRESS:PORT",
        help="serve the pages here, whatever the bridge file says; port 0 takes a free one",
    )
    parser.add_argument(
        "--browser", action="store_true", help="open the desk page in the browser once it is served"
    )
    parser.add_argument("--seconds", type=float, metavar="N", help="end after N seconds")
    parser.add_argument(
        "--stats", action="store_true", help="at the end print the counts of frames"
    )


def run(arguments: argparse.Namespace) -> int:
    bridge = given_bridge(arguments)
    require_source(bridge, arguments.bridge)
    # where the user names no address, another will do
    own = arguments.listen is not None or bridge.file.outputs.overlay != OverlayOutput()
    spare = 0 if arguments.source is None or own else SPARE_PORTS
    return run_bridge(bridge, arguments, arguments.after_dashes, spare_ports=spare)


def run_bridge(
    bridge: Bridge,
    arguments: argparse.Namespace,
    command: Sequence[str] = (),
    *,
    spare_ports: int = 0,
) -> int:
    """Run a bridge's daemon until it is stopped; gives the exit code.  Raises LowhalfError.

    *spare_ports* is how many further ports the pages may take where theirs is in use.
    """
    log = logging.getLogger("lowhalf")
    show: Show = "json" if arguments.json else "nothing" if arguments.quiet else "table"
    if arguments.listen is not None:
        bridge = _served_at(bridge, arguments.listen)
    if arguments.browser and bridge.file.outputs.overlay is None:
        raise LowhalfError(
            f"{bridge.path}: has no [outputs.overlay], so that there is no page to open: add it"
        )
    ready = prepare(bridge, installed_functions())
    if bridge.file.outputs.want_heap_events:  # so that they have those of every frame
        ready = {name: with_heap(each) for name, each in ready.items()}
    ready = for_source(bridge, ready)
    setup = sampling_setup(bridge, ready)
    questions = Questions(setup.clock)
    practising = make_practice_tracker(bridge, ready, log, setup.clock)
    plan = make_plan_tracker(bridge, ready, log)
    controls = Controls(by_hand=practising.by_hand if practising is not None else None)
    # a program that is started from here has the keyboard for itself
    keyboard = None if command else sys.stdin
    daemon = Daemon(
        make_source(bridge.file.source, bridge.path.parent, ready, controls),
        outputs_of(
            *(bridge, ready, questions, log),
            show=show,
            spare_ports=spare_ports,
            practising=practising,
            controls=controls,
            keyboard=keyboard,
        ),
        setup,
        log=log,
        practising=practising,
        plan=plan,
        questions=questions,
    )
    # what is loaded stays: a full collection would hold up frames to go through it in vain
    gc.collect()
    gc.freeze()
    stopped = False
    # from before the child is started until it has ended, no signal may come between
    with StopSignals() as signals, log_to(daemon.outputs):
        with _child(command) as child:
            try:
                stepped = partial(_stepped, daemon.outputs, controls, keyboard, log)
                work = _work(daemon, arguments.seconds, child, stepped, browser=arguments.browser)
                signals.run(work)
            except Stopped:
                stopped = True
            ended = child.poll() if child is not None else None
        if arguments.stats:
            _print_stats(daemon)
    if ended and not stopped:
        tell(f"{command[0]} ended with exit code {ended}")
        return 3
    return 0


def outputs_of(
    bridge: Bridge,
    prepared_builds: Mapping[str, PreparedBuild],
    questions: Questions,
    log: logging.Logger,
    *,
    show: Show,
    stream: TextIO | None = None,
    spare_ports: int = 0,
    practising: PracticeTracker | None = None,
    controls: Controls | None = None,
    keyboard: TextIO | None = None,
) -> list[Output]:
    """The outputs of a bridge, joined with what keeps and counts its attempts and tallies.

    *questions* are those that the daemon answers.  Without *stream* it is standard output.  What
    somebody at the machine may ask for is in *controls*, and a terminal's keys are those of
    *keyboard*.
    Raises OutputError and ExtensionError.
    """

    def count() -> Counts:
        from adapters.sessions.tally_count import counted

        return run_until_stopped(counted(bridge, prepared_builds, tell=tell)).counts

    controls = controls or Controls()
    controls.keys = bridge.file.learn.keys
    made: list[Output] = []
    made += make_outputs(
        OutputSurroundings(
            bridge,
            prepared_builds,
            questions,
            log,
            stream or sys.stdout,
            spare_ports,
            history=history_of(bridge),
            tallies=tallies_of(bridge, prepared_builds, count),
            notice=lambda: practising.notice if practising is not None else "",
            pasts=_pasts(bridge, made),
            controls=controls,
            keyboard=keyboard,
        ),
        show,
    )
    return made


def _pasts(bridge: Bridge, outputs: Sequence[Output]) -> Pasts | None:
    """What pages can look at again, also of what one of *outputs* keeps; None without pages."""
    if bridge.file.outputs.overlay is None:
        return None
    from adapters.commands.looking.pasts import pasts_of

    return pasts_of(bridge, outputs)


def _served_at(bridge: Bridge, listen: str) -> Bridge:
    """The bridge with its pages at another address; with pages where it had none."""
    outputs = bridge.file.outputs.model_copy(update={"overlay": OverlayOutput(listen=listen)})
    file = bridge.file.model_copy(update={"outputs": outputs})
    return Bridge(file, bridge.text, bridge.schema)


@runtime_checkable
class _TakesKeys(Protocol):
    """An output that may take keys."""

    takes_keys: bool


def _stepped(
    outputs: Sequence[Output], controls: Controls, keyboard: TextIO | None, log: logging.Logger
) -> None:
    """Have somebody ask for the frames of a source that is stepped."""
    steps = controls.steps
    if steps is None:
        return
    by_keys = any(isinstance(output, _TakesKeys) and output.takes_keys for output in outputs)
    if by_keys or keyboard is None:
        steps.ask()  # who sits before it sees the first frame at once
        return
    served = any(output.kind == "overlay" for output in outputs)
    read_steps(keyboard, steps, log.error, ends=not served)


async def _work(
    daemon: Daemon,
    seconds: float | None,
    child: subprocess.Popen[bytes] | None,
    stepped: Callable[[], None],
    *,
    browser: bool,
) -> None:
    stepped()
    work = asyncio.ensure_future(daemon.run())
    waits = [work]
    page = asyncio.ensure_future(show_page(daemon.outputs)) if browser else None
    if child is not None:
        waits.append(asyncio.ensure_future(_ended(child)))
    try:
        await asyncio.wait(waits, timeout=seconds, return_when=asyncio.FIRST_COMPLETED)
    finally:
        ending = [*waits, page] if page is not None else waits
        for wait in ending:
            wait.cancel()
        await asyncio.gather(*ending, return_exceptions=True)
    if not work.cancelled():
        work.result()


async def _ended(child: subprocess.Popen[bytes]) -> None:
    while child.poll() is None:  # noqa: ASYNC110 - a process sets no event
        await asyncio.sleep(0.2)


@contextlib.contextmanager
def _child(command: Sequence[str]) -> Iterator[subprocess.Popen[bytes] | None]:
    """The program that is started first; ended at the end."""
    if not command:
        yield None
        return
    try:
        child = subprocess.Popen(command)
    except OSError as fault:
        raise LowhalfError(f"{command[0]} cannot be started: {system_words(fault)}") from fault
    try:
        yield child
    finally:
        child.terminate()
        try:
            child.wait(CHILD_GRACE)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


def _print_stats(daemon: Daemon) -> None:
    stats = daemon.last.stats if daemon.last else None
    if stats is None:
        print("no frame was taken", file=sys.stderr)
        return
    print(
        f"frames {stats.frames}, skipped {stats.skipped}, lag {stats.lag}, torn {stats.torn}, "
        f"not whole {stats.unwhole}, unclear {stats.unclear}, resets {stats.resets}, "
        f"batches {stats.batches}",
        file=sys.stderr,
    )
    for output in daemon.outputs:
        print(f"output {output.kind}: skipped {output.skipped}", file=sys.stderr)
