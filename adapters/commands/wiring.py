"""From a bridge file's tables to sources and outputs.

Modules are imported only when a bridge file names their kind.
"""

from __future__ import annotations

import logging
import os
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from bridge.memory.byte_order import ByteOrder
from bridge.ports.source import Source
from schemas import output_settings, source_settings

if TYPE_CHECKING:  # a command that reads one frame needs none of these
    from adapters.json_forms.tallies import Counts
    from bridge.ports.output import Output
    from bridge.prepared import PreparedBuild
    from bridge.questions.question import Questions
    from bridge.sampling.practice_tracker import PracticeTracker
    from schemas.loader import Bridge


def make_source(
    settings: source_settings.AnySource,
    directory: Path,
    prepared_builds: Mapping[str, PreparedBuild],
) -> Source:
    """The source of a ``[source]`` table; *directory* is what its paths are relative to.

    *prepared_builds* are the builds that may be running, for a source that must find them by
    itself.
    """
    builds = [prepared.layout for prepared in prepared_builds.values()]
    match settings:
        case source_settings.FileSource():
            from adapters.sources.dumps.file import FileDump

            return FileDump(settings, directory, builds)
        case source_settings.FolderSource():
            from adapters.sources.dumps.folder import DumpFolder

            return DumpFolder(settings, directory, builds)
        case source_settings.SerialSource():
            from adapters.sources.pushed.serial import SerialLine

            return SerialLine(settings)
        case source_settings.DebuggerSource():
            from adapters.sources.debugger.stub import DebuggerStub

            return DebuggerStub(settings)
        case source_settings.ProcessSource():
            from adapters.sources.process.source import ProcessMemory

            return ProcessMemory(settings, prepared_builds)
        case source_settings.SharedSource():
            from adapters.sources.shared import SharedMemory

            return SharedMemory(settings, directory)
        case source_settings.PushSource():
            from adapters.sources.pushed.push import PushServer

            return PushServer(settings)
        case source_settings.RecordingSource():
            from adapters.sources.recording.player import RecordingPlayer

            return RecordingPlayer(settings, directory)
        case source_settings.FakeSource():
            from adapters.sources.fake import ScriptedSource

            return ScriptedSource(settings)


def declared_order(settings: source_settings.SourceSettings) -> ByteOrder | None:
    """The byte order that a ``[source]`` table names; None for auto."""
    return None if settings.byte_order == "auto" else ByteOrder(settings.byte_order)


def overlay_output(
    settings: output_settings.OverlayOutput,
    bridge: Bridge,
    prepared_builds: Mapping[str, PreparedBuild],
    questions: Questions,
    outputs: Sequence[Output],
    log: logging.Logger,
    *,
    spare_ports: int = 0,
    notice: Callable[[], str] = str,
) -> Output:
    """The pages; the token comes from the environment.  Raises OutputError.

    *outputs* are all that the daemon runs, also those that are added later.  *notice* says how
    attempts and tallies are kept, where there is something to say.
    """
    from adapters.outputs.web.desk import Desk
    from adapters.outputs.web.server import OverlayServer
    from adapters.outputs.web.token import TOKEN_VARIABLE
    from adapters.sessions.desk_reads import history_of, tallies_of

    def count() -> Counts:
        from adapters.commands.console.telling import tell
        from adapters.commands.console.until_stopped import run_until_stopped
        from adapters.sessions.tally_count import counted

        return run_until_stopped(counted(bridge, prepared_builds, tell=tell)).counts

    desk = Desk(
        bridge.schema,
        prepared_builds,
        questions,
        outputs,
        history=history_of(bridge),
        tallies=tallies_of(bridge, prepared_builds, count),
        notice=notice,
    )
    token = os.environ.get(TOKEN_VARIABLE, "")
    return OverlayServer(settings, log, token=token, desk=desk, spare_ports=spare_ports)


def terminal_output(settings: output_settings.TerminalOutput | None, stream: TextIO) -> Output:
    """The table, or plain lines where *stream* is no terminal."""
    from adapters.outputs.terminal.output import TerminalOutput

    return TerminalOutput(settings or output_settings.TerminalOutput(), stream)


def json_output(settings: output_settings.JsonOutput | None, stream: TextIO) -> Output:
    """A JSON object a frame."""
    from adapters.outputs.json_lines import JsonLines

    return JsonLines(settings or output_settings.JsonOutput(), stream)


def mqtt_output(
    settings: output_settings.MqttOutput, bridge: Bridge, log: logging.Logger
) -> Output:
    """The broker; secrets come from the environment.  Raises OutputError."""
    from adapters.outputs.mqtt.homie_practice import PracticeTopics
    from adapters.outputs.mqtt.output import MqttOutput

    return MqttOutput(
        settings,
        bridge.name,
        user=settings.user or os.environ.get("LOWHALF_MQTT_USER", ""),
        password=os.environ.get("LOWHALF_MQTT_PASSWORD"),
        practice=PracticeTopics(bool(bridge.file.steps), bridge.file.attempts is not None),
        log=log,
    )


def make_practising(
    bridge: Bridge, prepared_builds: Mapping[str, PreparedBuild], log: logging.Logger
) -> PracticeTracker | None:
    """Steps, attempts and tallies, kept in a file where there is something to keep."""
    from bridge.sampling.practice_tracker import PracticeTracker, Rules

    rules = Rules.of(bridge.file)
    if rules.attempts or any(prepared.tallies for prepared in prepared_builds.values()):
        from adapters.practice_log.writer import SqlitePracticeLog

        return PracticeTracker(rules, SqlitePracticeLog(bridge.attempts_path, log))
    return PracticeTracker(rules) if rules.steps else None


def make_outputs(
    bridge: Bridge,
    prepared_builds: Mapping[str, PreparedBuild],
    questions: Questions,
    log: logging.Logger,
    *,
    show: str,
    stream: TextIO | None = None,
    spare_ports: int = 0,
    practising: PracticeTracker | None = None,
) -> list[Output]:
    """The outputs that a bridge file names, with what *show* puts on the stream.

    *questions* are those that the daemon answers.  Without *stream* it is standard output.
    *spare_ports* are those that the pages may take instead of their own, behind it.  *practising*
    says how attempts and tallies are kept.

    ``show`` is ``table``, ``json`` or ``nothing``; a file that names the JSON output and not the
    terminal turns ``table`` into ``json``.  Raises OutputError.
    """
    wanted = bridge.file.outputs
    stream = stream or sys.stdout
    outputs: list[Output] = []
    if show == "table" and wanted.json_lines is not None and wanted.terminal is None:
        show = "json"
    if show == "table":
        outputs.append(terminal_output(wanted.terminal, stream))
    elif show == "json":
        outputs.append(json_output(wanted.json_lines, stream))
    if wanted.overlay is not None:
        outputs.append(
            overlay_output(
                *(wanted.overlay, bridge, prepared_builds, questions, outputs, log),
                spare_ports=spare_ports,
                notice=lambda: practising.notice if practising is not None else "",
            )
        )
    if wanted.mqtt is not None:
        outputs.append(mqtt_output(wanted.mqtt, bridge, log))
    if show == "table":
        _show_beside(outputs)
    return outputs


def _show_beside(outputs: Sequence[Output]) -> None:
    """The table tells of the other outputs' health, too."""
    from adapters.outputs.terminal.output import TerminalOutput

    for output in outputs:
        if isinstance(output, TerminalOutput):
            output.beside = outputs
