"""The topics on a broker, as the modules that publish them list them in their docstrings."""

from __future__ import annotations

import re
from types import ModuleType

from adapters.outputs.mqtt import homie, homie_heap, homie_plan, homie_practice
from docs.from_code.markdown import code, table

_LINE = re.compile(r"^    homie/5/DEVICE/(\S+) +(.*(?:\n {20,}.*)*)$", re.M)


def topics() -> str:
    """The topics of a device and its watches, and what each holds."""
    return _table(homie)


def practice_topics() -> str:
    """Those of steps and attempts."""
    return _table(homie_practice)


def plan_topics() -> str:
    """Those of a plan that is followed."""
    return _table(homie_plan)


def heap_topics() -> str:
    """Those of heap events."""
    return _table(homie_heap)


def listed(module: ModuleType) -> dict[str, str]:
    """What each topic holds, by the topic below the device's."""
    return {
        name: " ".join(words.replace("``", "`").split())
        for name, words in _LINE.findall(module.__doc__ or "")
    }


def _table(module: ModuleType) -> str:
    rows = ([code(f"homie/5/DEVICE/{n}"), words] for n, words in listed(module).items())
    return table(["topic", "holds"], rows)
