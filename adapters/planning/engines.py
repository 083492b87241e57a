"""Which engine searches for plans: the compiled core, where it can run here."""

from __future__ import annotations

import atexit
from dataclasses import dataclass
from functools import cache

from bridge.planning.engine import Engine

__all__ = ["EngineHere", "engine_here", "slow"]


@dataclass(frozen=True, slots=True)
class EngineHere:
    """The fastest engine beside the plain one; None where there is none, and in words why."""

    engine: Engine | None
    why: str = ""


@cache
def engine_here() -> EngineHere:
    """The compiled core, made ready once; every search that is begun with it is its own."""
    try:
        from adapters.planning.compiled_engine import CompiledEngine
    except ImportError as fault:
        if fault.name is not None and fault.name.partition(".")[0] == "wasmtime":
            return EngineHere(
                None,
                "plain Python searches, some thirty times slower: wasmtime is not installed; "
                "pip install 'lowhalf[planner]'",
            )
        return EngineHere(None, slow(fault))
    except (OSError, RuntimeError) as fault:  # no library of it for this system
        return EngineHere(None, slow(fault))
    # let go while its modules are still there: wasmtime complains of being ended later than those
    atexit.register(engine_here.cache_clear)
    try:
        return EngineHere(CompiledEngine())
    except Exception as fault:  # wasmtime's own, whose base is Exception alone
        return EngineHere(None, slow(fault))


def slow(fault: Exception) -> str:
    return f"plain Python searches, some thirty times slower: wasmtime cannot run here ({fault})"
