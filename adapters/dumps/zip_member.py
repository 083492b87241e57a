"""One file out of a zip archive, unpacked chunk by chunk."""

from __future__ import annotations

import zipfile
from collections.abc import Iterator
from typing import BinaryIO

from adapters.dumps.collecting import CHUNK_SIZE
from schemas.errors import SourceUnusable

_SHOWN = 20


def unzip(stream: BinaryIO, member: str = "") -> Iterator[bytes]:
    """The bytes of *member*, or of the only file in the archive.

    Raises SourceUnusable where there is no such file, where several are there and none is named,
    and where the archive is cut off, damaged or encrypted.
    """
    try:
        with zipfile.ZipFile(stream) as archive:
            entry = _chosen(archive, member)
            with archive.open(entry) as unpacked:
                while chunk := unpacked.read(CHUNK_SIZE):
                    yield chunk
    except (NotImplementedError, RuntimeError) as error:
        # zipfile says "encrypted" with a bare RuntimeError
        raise SourceUnusable(f"zip: the archive cannot be unpacked ({error})") from error
    except SourceUnusable:
        raise
    except Exception as error:
        # on damaged archives zipfile raises whatever its parser runs into, IndexError included
        raise SourceUnusable(f"zip: the archive is cut off or damaged ({error})") from error


def _chosen(archive: zipfile.ZipFile, member: str) -> zipfile.ZipInfo:
    files = [entry for entry in archive.infolist() if not entry.is_dir()]
    names = [entry.filename for entry in files]
    listed = ", ".join(names[:_SHOWN]) + (
        f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
    )
    if not files:
        raise SourceUnusable("zip: the archive holds no file")
    if member:
        for entry in files:
            if entry.filename == member:
                return entry
        raise SourceUnusable(f'zip: expected the member "{member}", found {listed}')
    if len(files) > 1:
        raise SourceUnusable(
            f"zip: expected one file, found {len(files)}: name one with member = ({listed})"
        )
    return files[0]
