"""Two recordings beside each other: aligned, and what differs first from there on."""

from __future__ import annotations

import asyncio
import contextlib
from typing import Any

from adapters.sessions.comparison import LeftOut, Side, parting_from, sampling_counters
from adapters.sessions.pasts.past import Past
from adapters.words.page_text import shown_text
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading
from schemas.errors import LowhalfError, NoSuchPast

__all__ = ["beside"]

_COMPARING = 6.0
"""Seconds for which fields are compared: it is all memory of each pair of frames."""
_PAIRS_AT_ONCE = 32


async def beside(a: Past, b: Past, step: str, expr: str, *, memory: bool) -> dict[str, Any]:
    """Where both are aligned, and the first watch that differs from there on.

    Fields of all *memory* are compared as well, where that is asked for: it takes its time.
    """
    places = []
    for past, name in ((a, "A"), (b, "B")):
        place, why = await _aligned(past, step, expr)
        if place is None:
            return _told(error=f"{name}: {why}")
        places.append(place)
    at_a, at_b = places
    count = min(a.evaluation.count - at_a, b.evaluation.count - at_b)
    shown: dict[str, Any] = {"a": at_a, "b": at_b, "count": count, "before": min(at_a, at_b)}
    shown["first"] = await _first_watch(a, at_a, b, at_b, count)
    if memory:
        shown |= await _first_field(a, at_a, b, at_b)
    return _told(**shown)


def _told(**known: Any) -> dict[str, Any]:
    nothing: dict[str, Any] = {
        "a": None,
        "b": None,
        "count": 0,
        "before": 0,
        "first": None,
        "memory": None,
        "memory_pairs": 0,
        "memory_error": "",
        "error": "",
    }
    return nothing | known


async def _aligned(past: Past, step: str, expr: str) -> tuple[int | None, str]:
    known = past.evaluation
    await known.opened.wait(0)
    if expr:
        found = await past.next_rise(-1, expr, backwards=False)
        fault = found["error"]
        return found["place"], fault["message"] if fault else f"{expr}: {found['words']}"
    if not step:
        await past.frame(0)
        return 0, ""
    while (place := known.place_of_step(step)) is None:
        if known.reached.over:
            return None, known.fault or f"the step {step} is never begun"
        await known.reached.wait(known.reached.count)
    return place, ""


async def _first_watch(a: Past, at_a: int, b: Past, at_b: int, count: int) -> dict[str, Any] | None:
    for offset in range(count):
        try:
            frames = await a.frame(at_a + offset), await b.frame(at_b + offset)
        except NoSuchPast:
            break  # one of them has ended sooner than was thought
        found = _differing(*frames)
        if found is not None:
            return {"offset": offset, **found}
        if offset % _PAIRS_AT_ONCE == 0:
            await asyncio.sleep(0)
    return None


def _differing(a: Frame, b: Frame) -> dict[str, Any] | None:
    others = {reading.watch.name: reading for reading in b.readings}
    for reading in a.readings:
        other = others.get(reading.watch.name)
        if other is None or (reading.status, reading.value) == (other.status, other.value):
            continue
        ours, theirs = shown_text(reading), shown_text(other)
        if ours != theirs or reading.status is not other.status:
            watch = reading.watch
            told = {"a": _words(reading, ours), "b": _words(other, theirs)}
            return {"watch": watch.name, "label": watch.title, **told}
    return None


def _words(reading: Reading, shown: str) -> str:
    """What is shown, and what is wrong with it."""
    return ", ".join(filter(None, (shown, reading.plain)))


async def _first_field(a: Past, at_a: int, b: Past, at_b: int) -> dict[str, Any]:
    """The field, how many pairs of frames were compared, and why no more were."""
    ours, theirs = a.evaluation, b.evaluation
    pairs = parting_from(
        *(Side(ours.bridge), Side(theirs.bridge), ours.where(at_a), theirs.where(at_b)),
        LeftOut(sampling_counters(ours.bridge)),
    )
    compared, why, first = 0, "", None
    end = asyncio.get_running_loop().time() + _COMPARING
    try:
        async with contextlib.aclosing(pairs):
            async for found in pairs:
                if found.fields:
                    field = found.fields[0]
                    texts = dict(zip("ab", field.texts, strict=True))
                    first = {"offset": compared, "path": field.path, **texts}
                    break
                compared += 1
                if asyncio.get_running_loop().time() > end:
                    why = f"compared for {_COMPARING:g} s: no further than {compared} frames"
                    break
    except LowhalfError as fault:
        why = str(fault)
    return {"memory": first, "memory_pairs": compared, "memory_error": why}
