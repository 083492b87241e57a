"""Bytes that are partly there: held against a plain dictionary of bytes."""

from __future__ import annotations

import random

import pytest

from bridge.memory.fetched import Part, Partial
from bridge.memory.held_bytes import HeldBytes


def test_nothing_is_there_at_first() -> None:
    held = HeldBytes(1000)
    assert held.read(0, 256) is None
    assert held.read(768, 232) is None


def test_a_line_is_there_once_its_last_byte_is() -> None:
    held = HeldBytes(1000)
    held.write(0, b"a" * 100)
    held.write(101, b"b" * 155)
    part = held.read(0, 256)
    assert isinstance(part, Partial)
    assert part.held == b"\1" * 100 + b"\0" + b"\1" * 155
    assert part.data[:100] + part.data[101:] == b"a" * 100 + b"b" * 155
    held.write(100, b"c")
    assert held.read(0, 256) == b"a" * 100 + b"c" + b"b" * 155


def test_the_short_last_line_is_whole_at_the_end() -> None:
    held = HeldBytes(1000)
    held.write(768, b"d" * 232)
    assert held.read(768, 232) == b"d" * 232


@pytest.mark.parametrize(("offset", "length"), [(-1, 1), (0, 1001), (1000, 1)])
def test_bytes_outside_are_refused(offset: int, length: int) -> None:
    held = HeldBytes(1000)
    held.write(0, bytes(1000))
    with pytest.raises(ValueError):
        held.write(offset, bytes(length))
    assert held.read(offset, length) is None


@pytest.mark.parametrize("size", [1, 255, 256, 257, 1000, 1024])
def test_against_a_dictionary(size: int) -> None:
    rng = random.Random(size)
    held = HeldBytes(size)
    model: dict[int, int] = {}
    for _ in range(60):
        offset = rng.randrange(size)
        data = rng.randbytes(rng.randint(0, min(400, size - offset)))
        held.write(offset, data)
        model.update(enumerate(data, offset))
        for start in range(0, size, 256):
            length = min(256, size - start)
            assert there_of(held.read(start, length)) == {
                at - start: model[at] for at in range(start, start + length) if at in model
            }
        first = rng.randrange(size)
        length = rng.randint(1, size - first)
        assert there_of(held.read(first, length)) == {
            at - first: model[at] for at in range(first, first + length) if at in model
        }


def there_of(part: Part) -> dict[int, int]:
    """The bytes of a part that are there, by their place."""
    if part is None:
        return {}
    if isinstance(part, Partial):
        assert 0 in part.held
        return {at: part.data[at] for at, there in enumerate(part.held) if there}
    return dict(enumerate(part))
