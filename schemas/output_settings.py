"""The ``[outputs.*]`` tables of a bridge file: one model a kind of output."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from schemas.durations import Duration
from schemas.sizes import ByteCount
from schemas.table import Table

__all__ = [
    "OUTPUTS",
    "JsonOutput",
    "LeftOut",
    "MqttOutput",
    "Outputs",
    "OverlayOutput",
    "RecordingOutput",
    "TerminalOutput",
]


class OverlayOutput(Table):
    """The pages and the JSON and WebSocket interface, over HTTP.

    On another address than loopback requests must bring the token that stands in
    LOWHALF_OVERLAY_TOKEN in the environment.
    """

    listen: str = Field(
        "127.0.0.1:7365",
        description="host and port to listen on; port 0 takes a free one. An address that is not "
        "loopback needs a token in LOWHALF_OVERLAY_TOKEN",
    )


class MqttOutput(Table):
    """An MQTT broker, by the Homie convention 5.

    The password comes from LOWHALF_MQTT_PASSWORD in the environment, and the user's name from
    LOWHALF_MQTT_USER where ``user`` is empty.
    """

    url: str = Field(
        "mqtt://127.0.0.1:1883", description="mqtt://HOST:PORT, or mqtts://HOST:PORT for TLS"
    )
    user: str = Field("", description="the user's name at the broker")
    device: str = Field(
        "", description="the Homie device id, a-z 0-9 and -; else lowhalf- and the bridge's name"
    )
    max_rate: float = Field(
        10.0, gt=0, le=60, description="messages a second at most on a watch's own topics"
    )
    heap_events: bool = Field(
        False,
        description="whether what becomes of each block of the heap is published, as it happens; "
        "the schema must describe the heap",
    )


class TerminalOutput(Table):
    """A live table in the terminal; plain lines where there is none."""

    rate: float = Field(10.0, gt=0, le=30, description="redraws a second at most")


class JsonOutput(Table):
    """One JSON object a frame on standard output."""

    heap_events: bool = Field(
        False,
        description="whether each line has what became of the heap's blocks since the line before, "
        "as events; the schema must describe the heap",
    )


class LeftOut(Table):
    """Some memory that is not recorded."""

    start: int = Field(ge=0, lt=1 << 64, description="its first guest address")
    size: ByteCount = Field(ge=1, lt=1 << 64, description='bytes, such as "150 KiB"')


class RecordingOutput(Table):
    """A recording of memory and readings, one file a run, as an MCAP file."""

    path: str = Field(
        "recordings/{name}-{time}.mcap",
        description="the file, relative to the bridge file; {name} is the bridge file's name and "
        "{time} when the run began, as 20260131-174500",
    )
    ram: Literal["whole", "touched", "none"] = Field(
        "whole",
        description="whole: all of it, where the source can be read so quickly (of push and serial "
        "what is sent, of debugger what watches look at); touched: the lines that watches look at; "
        "none: only readings",
    )
    exclude: list[LeftOut] = Field(
        [], description="memory that is left out, such as the pictures that a game draws"
    )
    keep: Duration | None = Field(
        None,
        gt=0,
        description='record only the last of it, such as "10 min": files of a minute or less '
        "beside path, with numbers for names, of which old ones go",
    )
    clips: Literal["", "attempts"] = Field(
        "",
        description="attempts: each attempt that ends is kept for itself in the folder clips, from "
        'some seconds before it began; keep is "10 min" then, where nothing else is said',
    )
    clips_size: ByteCount = Field(
        1 << 30, gt=0, description="bytes of all clips together; the oldest make room"
    )
    readings: bool = Field(True, description="whether each frame's readings are recorded, too")


class Outputs(Table):
    """All outputs; only those named are used."""

    overlay: OverlayOutput | None = Field(None, description="the pages")
    mqtt: MqttOutput | None = Field(None, description="an MQTT broker")
    terminal: TerminalOutput | None = Field(None, description="the table in the terminal")
    json_lines: JsonOutput | None = Field(
        None, alias="json", description="JSON on standard output, in place of the table"
    )

    recording: RecordingOutput | None = Field(None, description="a recording")

    @property
    def want_heap_events(self) -> bool:
        """Whether any of them does."""
        asking = (self.mqtt, self.json_lines)
        return any(each is not None and each.heap_events for each in asking)

    def named(self) -> dict[str, Table]:
        """The tables that the file has, by kind; those of other packages come last."""
        kinds = {name: field.alias or name for name, field in type(self).model_fields.items()}
        tables = {kind: getattr(self, name) for name, kind in kinds.items()}
        return {kind: table for kind, table in tables.items() if table is not None}


OUTPUTS = tuple(field.alias or name for name, field in Outputs.model_fields.items())
"""Lowhalf's own kinds of outputs; other packages may add some."""
