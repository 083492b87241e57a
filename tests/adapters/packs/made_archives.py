"""Zip archives made byte by byte, so that they can be what no program writes.

By PKWARE's APPNOTE.TXT 6.3.9: 4.3.7 a file's own head, 4.3.12 the directory, 4.3.16 its end.
"""

from __future__ import annotations

import hashlib
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from schemas.pack_manifest import (
    MANIFEST,
    MemberTable,
    PackedBuildTable,
    PackManifest,
    manifest_text,
)

__all__ = ["File", "good_files", "made", "manifest_of"]

BRIDGE = """\
schema = "pier.schema.toml"
[source]
kind = "none"
[[watches]]
name = "lamp"
expr = "lamp"
"""
SCHEMA = """\
[game]
name = "Pier"
[memory]
endian = "big"
regions = [{ name = "ram", start = 0x80000000, size = "64 KiB" }]
[symbols]
lamp = "u32"
[builds.print]
recognise = [{ at = 0x80000400, text = "PIER" }]
at = { lamp = 0x80000010 }
"""


@dataclass
class File:
    """A file in an archive; what is None is as it should be."""

    name: bytes
    data: bytes = b""
    method: int = 0
    flags: int = 0
    attributes: int = 0o100644 << 16
    extra: bytes = b""
    local_extra: bytes = b""
    packed: bytes | None = None
    sizes: tuple[int, int] | None = None
    """Packed and unpacked, in both places."""
    local_name: bytes | None = None
    local_sizes: tuple[int, int] | None = None
    checksum: int | None = None
    offset: int | None = None
    fields: dict[str, Any] = field(default_factory=dict)

    def body(self) -> bytes:
        if self.packed is not None:
            return self.packed
        if self.method == 8:
            packer = zlib.compressobj(9, zlib.DEFLATED, -15)
            return packer.compress(self.data) + packer.flush()
        return self.data

    def told(self) -> tuple[int, int, int]:
        packed, size = self.sizes or (len(self.body()), len(self.data))
        checksum = zlib.crc32(self.data) if self.checksum is None else self.checksum
        return checksum, packed, size


def made(
    files: Sequence[File],
    *,
    comment: bytes = b"",
    before: bytes = b"",
    behind: bytes = b"",
    count: int | None = None,
    disk: int = 0,
    locator: bytes = b"",
) -> bytes:
    """An archive of *files*."""
    body, directory = before, b""
    for each in files:
        offset = len(body) if each.offset is None else each.offset
        checksum, packed, size = each.told()
        local_packed, local_size = each.local_sizes or (packed, size)
        name = each.name if each.local_name is None else each.local_name
        head = struct.pack("<4s5H3I2H", b"PK\3\4", 20, each.flags, each.method, 0, 0x21, checksum,
                           local_packed, local_size, len(name), len(each.local_extra))  # fmt: skip
        if each.offset is None:
            body += head + name + each.local_extra + each.body()
        directory += struct.pack(
            "<4s6H3I5H2I", b"PK\1\2", 0x0314, 20, each.flags, each.method, 0, 0x21, checksum,
            packed, size, len(each.name), len(each.extra), 0, 0, 0, each.attributes, offset,
        )  # fmt: skip
        directory += each.name + each.extra
    count = len(files) if count is None else count
    end = struct.pack("<4s4H2IH", b"PK\5\6", disk, disk, count, count, len(directory), len(body),
                      len(comment))  # fmt: skip
    return body + directory + locator + end + comment + behind


def manifest_of(files: Sequence[File], kinds: Sequence[str]) -> File:
    """The manifest of *files* as they are."""
    members = tuple(
        MemberTable.model_construct(
            path=each.name.decode(),
            kind=kind,  # type: ignore[arg-type]
            size=len(each.data),
            sha256=hashlib.sha256(each.data).hexdigest(),
        )
        for each, kind in zip(files, kinds, strict=True)
    )
    manifest = PackManifest.model_construct(
        format=1, made_by="nobody", title="pier", game="Pier",
        builds={"print": PackedBuildTable()}, members=members,
    )  # fmt: skip
    return File(MANIFEST.encode(), manifest_text(manifest).encode())


def good_files(
    *further: tuple[File, str], bridge: str = BRIDGE, schema: str = SCHEMA
) -> list[File]:
    """The files of a small pack, with its manifest."""
    files = [File(b"pier.bridge.toml", bridge.encode()), File(b"pier.schema.toml", schema.encode())]
    kinds = ["bridge", "schema"]
    for file, kind in further:
        files.append(file)
        kinds.append(kind)
    return [manifest_of(files, kinds), *files]
