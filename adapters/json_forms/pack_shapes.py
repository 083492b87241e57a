"""Forms of JSON that tell of packs."""

from __future__ import annotations

from pydantic import Field

from adapters.json_forms.form import Form
from schemas.pack_manifest import MemberKind

__all__ = ["PackForm", "UnpackForm"]


class PackedMemberForm(Form):
    """A file in a pack."""

    path: str = Field(description="where it is in the archive, with /")
    kind: MemberKind
    size: int = Field(description="bytes")
    sha256: str = Field(description="in hexadecimal")


class PackForm(Form):
    """A pack that was written: `pack --json`."""

    pack: str = Field(description="the file")
    title: str
    game: str
    builds: list[str]
    members: list[PackedMemberForm] = Field(description="every file but the manifest")
    left_out: list[str] = Field(description="what was given and is not in it, in words")


class UnpackForm(Form):
    """A pack's files in a folder: `unpack --json`."""

    directory: str
    bridge: str = Field(description="the bridge file's path")
    members: list[str] = Field(description="the paths of the files in the folder")
