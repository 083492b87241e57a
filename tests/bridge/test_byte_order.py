"""The four orders, held against numpy's byteswap."""

from __future__ import annotations

import random

import numpy as np
import pytest

from bridge.memory.byte_order import ByteOrder, reorder


def by_numpy(data: bytes, order: ByteOrder) -> bytes:
    """The same with numpy.ndarray.byteswap, which knows nothing of this project."""
    if order is ByteOrder.SWAP16:
        return np.frombuffer(data, np.uint16).byteswap().tobytes()
    if order is ByteOrder.SWAP32:
        return np.frombuffer(data, np.uint32).byteswap().tobytes()
    if order is ByteOrder.HALFSWAP:
        return np.frombuffer(data, np.uint16).reshape(-1, 2)[:, ::-1].tobytes()
    return data


@pytest.mark.parametrize(
    ("order", "expected"),
    [
        (ByteOrder.BIG, "00010203 04050607"),
        (ByteOrder.SWAP16, "01000302 05040706"),
        (ByteOrder.SWAP32, "03020100 07060504"),
        (ByteOrder.HALFSWAP, "02030001 06070405"),
    ],
)
def test_worked_example(order: ByteOrder, expected: str) -> None:
    assert reorder(bytes(range(8)), order) == bytes.fromhex(expected)


@pytest.mark.parametrize("order", list(ByteOrder))
@pytest.mark.parametrize("length", [0, 4, 256, 4096, 65536])
def test_against_numpy(order: ByteOrder, length: int) -> None:
    data = random.Random(length).randbytes(length)
    assert reorder(data, order) == by_numpy(data, order)


@pytest.mark.parametrize("order", list(ByteOrder))
@pytest.mark.parametrize("length", range(9))
def test_every_order_is_its_own_inverse(order: ByteOrder, length: int) -> None:
    data = random.Random(length).randbytes(length)
    assert reorder(reorder(data, order), order) == data


@pytest.mark.parametrize("order", list(ByteOrder))
@pytest.mark.parametrize("rest", [1, 2, 3])
def test_a_rest_that_no_word_covers_stays(order: ByteOrder, rest: int) -> None:
    data = bytes(range(8 + rest))
    assert reorder(data, order) == by_numpy(data[:8], order) + data[8:]


def test_the_names_are_those_of_the_bridge_file() -> None:
    assert [str(order) for order in ByteOrder] == ["big", "swap16", "swap32", "halfswap"]
