"""One line a kind a minute, and none is lost."""

from __future__ import annotations

from bridge.reporting.counted_lines import MAX_KINDS, CountedLines


class Ticks:
    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


def test_the_first_is_told_and_the_rest_of_the_minute_counted() -> None:
    ticks = Ticks()
    lines = CountedLines(ticks)
    assert lines.came("half", "a request was half") == "a request was half"
    assert lines.next_due is None
    for _ in range(57):
        assert lines.came("half", "a request was half") == ""
    assert lines.came("full", "it is full") == "it is full"
    assert lines.next_due == 60
    ticks.now += 59.5
    assert lines.due() == []
    ticks.now += 0.5
    assert lines.due() == ["a request was half (57 more in 60 s)"]
    assert lines.due() == []


def test_a_line_on_how_many_is_the_line_of_its_minute() -> None:
    ticks = Ticks()
    lines = CountedLines(ticks)
    lines.came("half", "half")
    lines.came("half", "half")
    ticks.now += 60
    assert lines.due() == ["half (1 more in 60 s)"]
    assert lines.came("half", "half") == ""
    ticks.now += 61
    assert lines.came("half", "half again") == "half again (2 more in 61 s)"


def test_after_a_quiet_minute_the_next_is_the_first() -> None:
    ticks = Ticks()
    lines = CountedLines(ticks)
    lines.came("half", "half")
    ticks.now += 60
    assert lines.came("half", "half") == "half"


def test_the_end_tells_what_was_counted() -> None:
    ticks = Ticks()
    lines = CountedLines(ticks)
    for kind in ("half", "full", "half", "half"):
        lines.came(kind, kind)
    ticks.now += 12
    assert lines.rest() == ["half (2 more in 12 s)"]
    assert lines.rest() == []


def test_kinds_are_bounded() -> None:
    """A kind may come from a peer's words: it must not make memory or the log grow."""
    ticks = Ticks()
    lines = CountedLines(ticks)
    told = [lines.came(f"kind {n}", f"kind {n}") for n in range(1000)]
    assert len([line for line in told if line]) == MAX_KINDS + 1
    ticks.now += 60
    assert lines.due() == [f"kind 999 ({999 - MAX_KINDS} more in 60 s)"]
    ticks.now += 60
    assert [lines.came(f"new {n}", f"new {n}") for n in range(MAX_KINDS)] == [
        f"new {n}" for n in range(MAX_KINDS)
    ]
