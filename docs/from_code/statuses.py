"""The statuses of a reading."""

from __future__ import annotations

from bridge.values.status import Status
from docs.from_code.attributes import attribute_docs
from docs.from_code.markdown import code, table


def statuses() -> str:
    """A row a status."""
    told = attribute_docs(Status)
    return table(
        ["status", "a value", "meaning"],
        (
            [code(str(status)), "yes" if status.has_value else "no", told[status.name]]
            for status in Status
        ),
    )
