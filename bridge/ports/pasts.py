"""What the core's outputs ask of whatever keeps recordings that can be looked at again."""

from __future__ import annotations

import abc
from typing import Any

__all__ = ["Pasts"]


class Pasts(abc.ABC):
    """Recordings that can be looked at while the game runs, each by its name: *pasts*.

    Answers come as JSON, from a process of its own, so that no frame of the game waits for them.
    """

    @abc.abstractmethod
    async def listed(self) -> list[dict[str, Any]]:
        """What can be looked at now: ``id``, ``kind``, ``title``, ``attempt`` and ``outcome``."""

    @abc.abstractmethod
    async def ask(self, name: str, what: str, **given: Any) -> bytes:
        """What is asked of a past, as JSON.

        Raises NoSuchPast where there is none of that name, PastNotReady where another try helps,
        and LowhalfError with what is wrong otherwise.
        """

    @abc.abstractmethod
    async def beside(self, a: str, b: str, **given: Any) -> bytes:
        """Two pasts, aligned.  Raises as :meth:`ask`."""

    @abc.abstractmethod
    async def close(self) -> None:
        """End the process, and remove what was kept for it.  What is asked later begins anew."""
