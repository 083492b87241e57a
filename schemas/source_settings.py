"""The ``[source]`` table of a bridge file: one model a kind of source.

``lowhalf sources`` prints these models, so each field says what it is.
"""

from __future__ import annotations

from typing import Annotated, Literal, get_args

from pydantic import Field, model_validator

from schemas.path_texts import PathText
from schemas.sizes import ByteCount
from schemas.table import Table

__all__ = [
    "SOURCES",
    "AnySource",
    "ByteOrderName",
    "DebuggerSource",
    "DumpFormatName",
    "FakeSource",
    "FileSource",
    "FolderSource",
    "NoSource",
    "ProcessSource",
    "PushSource",
    "RecordingSource",
    "SerialSource",
    "SharedSource",
    "SourceSettings",
    "TypedSource",
]

ByteOrderName = Literal["big", "swap16", "swap32", "halfswap", "auto"]
DumpFormatName = Literal["auto", "raw", "elf", "ihex", "srec"]


class SourceSettings(Table):
    """What every source has; each kind says which it is."""

    kind: str
    byte_order: ByteOrderName = Field(
        "auto",
        description="how the source holds the guest's bytes; auto decides by the schema's "
        "recognise bytes, else by the machine code that it finds",
    )


class FileSource(SourceSettings):
    """One dump: raw, or gzip, xz, zstd or zip around it; ELF core; Intel HEX; S-record."""

    kind: Literal["file"]
    path: PathText = Field(description="the dump, relative to the bridge file")
    format: DumpFormatName = Field(
        "auto",
        description="what the bytes are once unpacked; auto looks at their beginning, and takes "
        "them as raw where a build is recognised only so",
    )
    member: str = Field("", description="the file's name inside a zip archive that holds several")
    region: str = Field("", description="the region that a raw dump begins with; else the first")
    offset: ByteCount = Field(0, description="where the image begins in a raw dump, in bytes")
    length: ByteCount | None = Field(
        None, description="how long the image is in a raw dump; else up to its end"
    )
    max_size: ByteCount = Field(
        256 << 20,
        description="the most bytes that a dump may have once unpacked; where it is packed twice, "
        "or written as text, all that is held at one time counts",
    )


class SharedSource(SourceSettings):
    """A mapped file, POSIX shared memory or a Windows file mapping that holds guest RAM."""

    kind: Literal["shared"]
    path: PathText = Field(
        "", description="the file, for example in /dev/shm, relative to the bridge file"
    )
    mapping: str = Field(
        "", description="on Windows, the name of a file mapping, instead of a path"
    )
    region: str = Field("", description="the region that lies at the offset; else the first")
    offset: ByteCount = Field(
        0, description="where the region begins in the file or mapping, in bytes"
    )

    @model_validator(mode="after")
    def _one(self) -> SharedSource:
        if bool(self.path) == bool(self.mapping):
            raise ValueError("expected exactly one of path and mapping")
        return self


class PushSource(SourceSettings):
    """Frames that a script inside an emulator sends over TCP (LHP/1)."""

    kind: Literal["push"]
    listen: str = Field(
        "127.0.0.1:7364",
        description="host and port to listen on; port 0 takes a free one. A host other than "
        "loopback needs LOWHALF_PUSH_TOKEN in the environment",
    )


class RecordingSource(SourceSettings):
    """A recording made by lowhalf (MCAP)."""

    kind: Literal["recording"]
    path: PathText = Field(description="the recording, relative to the bridge file")
    pace: Literal["real", "all", "stepped"] = Field(
        "real",
        description="real: in the time in which it happened, or by speed; all: every frame, as "
        "fast as they can be evaluated; stepped: the next frame comes when it is asked for, by a "
        "key in the terminal, on the desk, or by a line on standard input",
    )
    speed: float = Field(
        1.0, gt=0, le=100, description="how fast it is played in real time, 1 as it happened"
    )
    from_frame: int | None = Field(
        None, ge=0, description="the game's own number of the first frame; else the recording's"
    )
    to_frame: int | None = Field(
        None, ge=0, description="the number of the last frame, at or behind the first"
    )
    repeat: bool | None = Field(
        None,
        description="begin again at its end; where nothing is said, it does in real time alone",
    )

    @property
    def repeats(self) -> bool:
        """Whether it begins again at its end."""
        return self.pace == "real" if self.repeat is None else self.repeat

    @model_validator(mode="after")
    def _agrees(self) -> RecordingSource:
        if self.pace != "real" and "speed" in self.model_fields_set:
            raise ValueError(f'speed goes by the clock, and pace = "{self.pace}" has none')
        first, last = self.from_frame, self.to_frame
        if first is not None and last is not None and last < first:
            raise ValueError(f"to_frame {last} is before from_frame {first}")
        return self


class FolderSource(SourceSettings):
    """Every new dump that lands in a folder, once it is complete."""

    kind: Literal["folder"]
    path: PathText = Field(description="the folder, relative to the bridge file")
    pattern: str = Field("*", description="which files, for example *.bin.gz")
    format: DumpFormatName = Field(
        "auto",
        description="what the bytes are once unpacked; auto looks at their beginning, and takes "
        "them as raw where a build is recognised only so",
    )
    region: str = Field("", description="the region that a raw dump begins with; else the first")
    offset: ByteCount = Field(0, description="where the image begins in a raw dump, in bytes")
    max_size: ByteCount = Field(
        256 << 20,
        description="the most bytes that a dump may have once unpacked; where it is packed twice, "
        "or written as text, all that is held at one time counts",
    )
    settle: float = Field(
        0.5, ge=0, le=60, description="seconds without a change after which a dump is complete"
    )


class SerialSource(SourceSettings):
    """Frames that a console sends over a serial line (LHP/1, 8N1)."""

    kind: Literal["serial"]
    port: PathText = Field(description="the port, for example /dev/ttyUSB0 or COM3")
    speed: int = Field(115200, ge=50, le=12_000_000, description="bits a second")


class DebuggerSource(SourceSettings):
    """A GDB remote serial protocol stub, as emulators offer it.  Each sample halts the guest."""

    kind: Literal["debugger"]
    address: str = Field(description="host and port of the stub, for example 127.0.0.1:1234")
    frame_exact: bool = Field(
        False,
        description="stop at each write of the counter that ended a frame, by a watchpoint in "
        "the stub, so that no frame is missed; costs the guest some speed",
    )
    sign_extend: bool = Field(
        False, description="true where the stub wants 32-bit addresses sign-extended to 64 bits"
    )


class ProcessSource(SourceSettings):
    """Another process's memory, in which guest RAM is found by itself (Linux, Windows)."""

    kind: Literal["process"]
    name: str = Field("", description="the program's name, as the system lists it")
    pid: int | None = Field(None, gt=0, description="the process's number, instead of a name")
    region: str = Field("", description="the region to find; else the first")
    address: int | None = Field(
        None, ge=0, description="where the region begins in the process, if it is known"
    )


class NoSource(SourceSettings):
    """No memory of its own, as in a pack: ``run --source`` brings it, or ``--dump`` does."""

    kind: Literal["none"]


class TypedSource(SourceSettings):
    """Memory that a person reads off a console's own screen and types, where there is no cable."""

    kind: Literal["typed"]


class FakeSource(SourceSettings):
    """Bytes that a test scripts; zeros where it scripts none."""

    kind: Literal["fake"]


AnySource = Annotated[
    FileSource
    | FolderSource
    | SharedSource
    | PushSource
    | SerialSource
    | DebuggerSource
    | ProcessSource
    | RecordingSource
    | TypedSource
    | NoSource
    | FakeSource,
    Field(discriminator="kind"),
]

SOURCES: dict[str, type[SourceSettings]] = {
    get_args(model.model_fields["kind"].annotation)[0]: model
    for model in get_args(get_args(AnySource)[0])
}
"""The settings of lowhalf's own kinds of sources; other packages may add some."""
