"""Recordings gone through for learning: the heap of each frame, and which action is done in it."""

from __future__ import annotations

import contextlib
import csv
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from adapters.file_opening import open_stream
from adapters.functions import installed_functions
from adapters.recordings.reader import open_recording
from adapters.sessions.added_watches import with_watches
from adapters.sessions.following import every_frame, followed
from bridge.planning.learning.observed import Mark, Play, PlayWatcher
from bridge.prepared import prepare, with_heap
from bridge.readings.frame import Frame
from bridge.values.value_type import Kind
from schemas.errors import LowhalfError, SourceUnusable
from schemas.loader import Bridge
from schemas.source_settings import RecordingSource
from schemas.system_words import system_words

__all__ = ["InputLog", "Labels", "labels_of", "read_input_log", "recorded_play"]

_MAX_LOG = 64 << 20
_NANOSECONDS = 1_000_000_000
InputLog = Mapping[int, Sequence[str]]
"""By frame, the actions that were done in it."""


@dataclass(frozen=True, slots=True)
class Labels:
    """How actions are known: ``when`` is by action the expression that becomes true, ``spread`` by
    action how many frames behind that its changes of the heap still come.

    ``held`` is an expression for the payload that is held; empty where there is none.  ``states``
    is by state its expression.
    """

    when: Mapping[str, str]
    spread: Mapping[str, int]
    held: str = ""
    states: Mapping[str, str] = field(default_factory=dict)
    heap: str = ""
    """The name of the heap that is learned from; empty for ``[heap]``."""


def labels_of(bridge: Bridge, heap: str = "") -> Labels:
    """What the bridge file's ``[learn]`` says, and where it does not, the schema's actions; *heap*
    is the name of the heap of which the held block is, empty for ``[heap]``."""
    when, spread = {}, {}
    for name, action in bridge.schema.file.actions.items():
        spread[name] = action.spread
        if action.when:
            when[name] = action.when
    for name, table in bridge.file.learn.actions.items():
        spread[name] = table.spread
        if table.when:
            when[name] = table.when
    schema = bridge.schema.file
    allocator = schema.heaps[heap].allocator if heap else schema.allocator
    held = (allocator.held if allocator else None) or ""
    return Labels(when, spread, held, dict(schema.state), heap)


def read_input_log(path: Path) -> dict[int, list[str]]:
    """A CSV file with a head that names ``frame`` and ``action``, and an action a line.

    Raises LowhalfError with the line that is wrong.
    """
    found: dict[int, list[str]] = {}
    try:
        with open_stream(path) as file:
            text = file.read(_MAX_LOG + 1).decode("utf-8-sig", "replace")
    except (OSError, ValueError) as fault:
        known = system_words(fault) if isinstance(fault, OSError) else ""
        reason = (known or str(fault)).lower()
        raise LowhalfError(f"{path}: cannot be read: {reason}") from fault
    if len(text) > _MAX_LOG:
        raise LowhalfError(f"{path}: is larger than {_MAX_LOG >> 20} MiB")
    rows = csv.DictReader(text.splitlines())
    names = [name.strip() for name in rows.fieldnames or ()]
    for wanted in ("frame", "action"):
        if wanted not in names:
            raise LowhalfError(
                f"{path}: line 1: expected a head with frame and action, "
                f"found {', '.join(names) or 'nothing'}"
            )
    for row in rows:
        values = {(key or "").strip(): (value or "") for key, value in row.items() if key}
        number, action = values["frame"].strip(), values["action"].strip()
        if not number.isascii() or not number.isdigit() or len(number) > 18:
            raise LowhalfError(
                f'{path}: line {rows.line_num}: expected a frame\'s number, found "{number[:40]}"'
            )
        if not _is_name(action):
            raise LowhalfError(
                f"{path}: line {rows.line_num}: expected an action's name, letters, digits and _, "
                f'found "{action[:40]}"'
            )
        found.setdefault(int(number), []).append(action)
    return found


async def recorded_play(
    recording: Path,
    bridge: Bridge,
    labels: Labels,
    inputs: InputLog,
    *,
    tell: Callable[[str], None],
    passed: Callable[[int], None] = lambda frames: None,
) -> list[Play]:
    """What the heap did in a recording: one play, or several where the game began anew.

    *passed* is told how many frames were gone through.  Raises SourceError and its leaves,
    ExpressionError, SchemaError and BridgeFileError.
    """
    asked = _of_recording(bridge, recording)
    texts = [*labels.when.values(), *labels.states.values()]
    texts += [labels.held] if labels.held else []
    asked = with_watches(asked, dict.fromkeys(texts), installed_functions())
    prepared = prepare(asked, installed_functions())
    for each in prepared.values():
        kinds = {watch.name: watch.type for watch in each.watches}
        for action, text in labels.when.items():
            if kinds[text].kind is Kind.TEXT:
                raise LowhalfError(f"{action}: {text} is a text, expected true or false")
    asking = {name: with_heap(each) for name, each in prepared.items()}
    playing = _Playing(recording.name, labels, inputs, _marks_of(recording))
    opened_source = every_frame(asked, asking)
    begun = (0, 0)
    number = 0
    async with contextlib.aclosing(followed(asked, asking, opened_source, tell=tell)) as frames:
        async for frame in frames:
            now = (frame.stats.resets, opened_source.passes)
            playing.take(frame, anew=now != begun)
            begun = now
            number += 1
            passed(number)
    playing.check_inputs()
    for mark in (each for marks in playing.marks.values() for each in marks):
        tell(f"{recording.name}, frame {mark.frame}: the mark {mark.action} is of no frame there")
    return playing.plays


def _marks_of(recording: Path) -> dict[float, list[Mark]]:
    """The marks in a recording, by the times of their frames.  Raises SourceError."""
    found: dict[float, list[Mark]] = {}
    for mark in open_recording(recording).marks():
        if not _is_name(mark.name):
            raise SourceUnusable(
                f"the mark in frame {mark.frame} names no action, expected letters, digits and _, "
                f'found "{mark.name[:40]}"',
                source=f"recording {recording.name}",
            )
        found.setdefault(mark.time / _NANOSECONDS, []).append(Mark(mark.frame, mark.name))
    return found


def _is_name(text: str) -> bool:
    return text.isascii() and text.replace("_", "").isalnum()


def _of_recording(bridge: Bridge, recording: Path) -> Bridge:
    source = RecordingSource(kind="recording", path=str(recording.absolute()), repeat=False)
    bare = {"source": source, "steps": (), "attempts": None}
    return Bridge(bridge.file.model_copy(update=bare), bridge.text, bridge.schema)


class _Playing:
    """The frames of one recording, and which labels become true in them."""

    def __init__(
        self, name: str, labels: Labels, inputs: InputLog, marks: dict[float, list[Mark]]
    ) -> None:
        self._name, self._labels, self._inputs = name, labels, inputs
        self.marks = marks
        """Those of frames that have not come yet, by their times."""
        self._watcher: PlayWatcher | None = None
        self._was: dict[str, bool] = {}
        self._used: set[int] = set()
        self.plays: list[Play] = []

    def take(self, frame: Frame, *, anew: bool) -> None:
        if anew or self._watcher is None or self._watcher.play.build != frame.build:
            self._watcher = PlayWatcher(self._name, frame.build)
            self.plays.append(self._watcher.play)
            self._was = {}
        heap = None if frame.heap is None else frame.heap.named(self._labels.heap)
        assert heap is not None
        actions = list(self._inputs.get(frame.number, ()))
        if actions:
            self._used.add(frame.number)
        for action, text in self._labels.when.items():
            reading = frame[text]
            true = reading.status.has_value and bool(reading.value)
            if true and self._was.get(action) is False:
                actions.append(action)
            self._was[action] = true
        held = None
        if self._labels.held:
            reading = frame[self._labels.held]
            held = reading.value if isinstance(reading.value, int) and reading.value else None
        states = {
            name: value
            for name, text in self._labels.states.items()
            if isinstance(value := frame[text].value, int)
        }
        self._watcher.take(frame.number, heap, actions, held, states)
        self._watcher.play.marks += self.marks.pop(frame.time, ())

    def check_inputs(self) -> None:
        """Raise SourceUnusable where no line of the log is of a frame of this recording."""
        if self._inputs and not self._used:
            first, last = min(self._inputs), max(self._inputs)
            raise SourceUnusable(
                f"has none of the frames {first} to {last} that its input log names: "
                "is it another recording's?",
                source=f"recording {self._name}",
            )
