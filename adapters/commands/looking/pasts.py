"""The pasts of a daemon: the process that evaluates them makes what pages are sent."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, cast

from adapters.sessions.pasts.asking import RecordedPasts, RollingKept
from adapters.sessions.pasts.bridge_texts import BridgeTexts
from bridge.ports.output import Output
from bridge.ports.pasts import Pasts
from schemas.loader import Bridge

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

    from adapters.outputs.recording.output import RecordingOutput
    from adapters.sessions.pasts.past import Forms

__all__ = ["pasts_of"]


def pasts_of(bridge: Bridge, outputs: Sequence[Output]) -> Pasts:
    """What can be looked at again of a bridge, whose *outputs* may be made later."""

    def rolling() -> RollingKept | None:
        found = next((each for each in outputs if each.kind == "recording"), None)
        return cast("RecordingOutput | None", found)

    return RecordedPasts(bridge, _work, rolling)


def _work(pipe: Connection, texts: BridgeTexts) -> None:
    from adapters.sessions.pasts.serving import serve  # the daemon itself does without

    serve(pipe, texts, _forms)


def _forms() -> Forms:
    from adapters.outputs.web.ask import answer_json
    from adapters.outputs.web.snapshot import frame_snapshot
    from adapters.sessions.pasts.past import Forms
    from bridge.readings.public_words import public_frame, public_text

    return Forms(
        frame=lambda frame, parts: frame_snapshot(public_frame(frame), parts),
        answer=lambda text, answer: answer_json(text, answer, public_text),
    )
