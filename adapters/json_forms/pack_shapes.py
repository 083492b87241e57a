"""Forms of JSON that tell of packs."""

from __future__ import annotations

from pydantic import Field

from adapters.json_forms.form import Form
from schemas.pack_manifest import MemberKind

__all__ = [
    "CheckedExpectationForm",
    "CheckedPackForm",
    "LayoutSeenForm",
    "PackForm",
    "PackedMemberForm",
    "UnpackForm",
]


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


class LayoutSeenForm(Form):
    """A layout in a clip of a pack."""

    layout: str
    clip: str = Field(description="its path in the pack")
    frame: int | None = Field(description="the first frame in which the heap is so; null if none")
    reason: str = Field(description="why the clip cannot be read; empty where it can")


class CheckedExpectationForm(Form):
    """An expectation, held against a clip of a pack."""

    file: str
    line: int
    expected: str
    found: str
    passed: bool


class CheckedPackForm(Form):
    """What a pack holds, and whether it is so."""

    title: str
    game: str
    made_by: str
    builds: list[str]
    members: list[PackedMemberForm]
    layouts: list[LayoutSeenForm]
    expectations: list[CheckedExpectationForm]


class UnpackForm(Form):
    """A pack's files in a folder: `unpack --json`."""

    directory: str
    bridge: str = Field(description="the bridge file's path")
    members: list[str] = Field(description="the paths of the files in the folder")
