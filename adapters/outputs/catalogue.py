"""Every kind of output, and the class that sends to it; a class is imported when it is named."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from adapters.catalogue import Catalogue
from schemas.output_settings import JsonOutput, TerminalOutput
from schemas.table import Table

if TYPE_CHECKING:
    from adapters.outputs.surroundings import OutputSurroundings
    from bridge.ports.output import Output

__all__ = ["CATALOGUE", "Show", "make_outputs"]

CATALOGUE = Catalogue(
    {
        "overlay": "adapters.outputs.web.server:OverlayServer",
        "mqtt": "adapters.outputs.mqtt.output:MqttOutput",
        "terminal": "adapters.outputs.terminal.output:TerminalOutput",
        "json": "adapters.outputs.json_lines:JsonLines",
        "recording": "adapters.outputs.recording.output:RecordingOutput",
    },
    group="lowhalf.outputs",
    port="bridge.ports.output:Output",
    base=Table,
)

Show = Literal["table", "json", "nothing"]


def make_outputs(around: OutputSurroundings, show: Show) -> list[Output]:
    """The outputs that a bridge file names, with what *show* puts on the stream.

    A file that names the JSON output and not the terminal turns ``table`` into ``json``.  Each
    output knows all of them as ``beside``.  Raises OutputError and ExtensionError.
    """
    named = around.bridge.file.outputs.named()
    terminal, json = named.pop("terminal", None), named.pop("json", None)
    if show == "table" and json is not None and terminal is None:
        show = "json"
    wanted: dict[str, Table] = {}
    if show == "table":
        wanted["terminal"] = terminal or TerminalOutput()
    elif show == "json":
        wanted["json"] = json or JsonOutput()
    outputs: list[Output] = [
        CATALOGUE.make(kind, settings, around) for kind, settings in (wanted | named).items()
    ]
    for output in outputs:
        output.beside = tuple(outputs)
    return outputs
