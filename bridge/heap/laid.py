"""One block of a layout, or a wildcard in place of one."""

from __future__ import annotations

from dataclasses import dataclass

from schemas.layout_file import Wildcard

__all__ = ["Laid"]


@dataclass(frozen=True, slots=True)
class Laid:
    """A block of a layout.

    ``size`` is in bytes of payload; ``at`` is how many bytes behind the first block's payload it
    begins, None where that does not matter.  Size and use are None where these do not matter, and
    where ``wildcard`` says that it stands for any block or blocks: ``owner`` is its word then.
    """

    owner: str
    size: int | None
    used: bool | None
    at: int | None = None
    wildcard: Wildcard | None = None

    @property
    def run(self) -> bool:
        """Whether it stands for any number of blocks."""
        return self.wildcard is not None and not self.wildcard.one

    @property
    def exact(self) -> bool:
        """Whether it says what the block is."""
        return self.wildcard is None and self.size is not None
