"""What a page may ask for while the game runs, what it is answered, and what it may not do."""

from __future__ import annotations

import gzip
import logging
from collections.abc import AsyncIterator
from pathlib import Path
from socket import create_connection
from typing import Any
from urllib.parse import quote, urlsplit

import aiohttp
import pytest

from adapters.outputs.web import server as overlay
from adapters.outputs.web.ask import LONGEST, answer_json
from bridge.questions.question import Answer, Question
from schemas.errors import ExpressionError
from tests.adapters.desk_daemon import SAMPLES, Served, eventually, printed, serving, write_sample

HOLD = "first-print-stale-hold.bin.gz"
WATCHES = """
[[watches]]
name = "held_x_low"
label = "Written half"
expr = "low(courier.held.position.x)"
show = "hex"
target = { near = 0x9990, within = 0x0020 }
[[watches]]
name = "kind"
expr = "courier.held.kind"
"""
SHARED = ("kind", "label", "type", "offset", "address", "status", "reason")
"""What a step of the answer has in common with a step that ``lowhalf explain --json`` prints."""


@pytest.fixture
async def desk(tmp_path: Path) -> AsyncIterator[Served]:
    async with serving(write_sample(tmp_path, HOLD, watches=WATCHES)) as served:
        yield served


@pytest.fixture
async def http() -> AsyncIterator[aiohttp.ClientSession]:
    async with aiohttp.ClientSession() as session:
        yield session


async def until_closed(desk: Served) -> None:
    await eventually(lambda: not desk.questions.open, 3, "all closed")


# What it answers


@pytest.mark.parametrize(
    "text",
    [
        "held_x_low",
        "low(courier.held.position.x)",
        "courier.satchel[courier.room * 0 + 2].freshness",
        "courier.name",
        "courier.held.held.kind",
        "courier.longitude * 2",
        'sum([a.timer for a in chain(actor_head, "next")])',
    ],
)
async def test_the_steps_are_those_of_explain(
    desk: Served, http: aiohttp.ClientSession, text: str
) -> None:
    answer = await desk.ask(http, text)
    steps = await printed("explain", str(desk.bridge), text, "--json")
    assert [[step[key] for key in SHARED] for step in answer["steps"]] == [
        [step[key] for key in SHARED] for step in steps
    ]
    result = {key: answer["result"][key] for key in ("status", "value", "text", "address")}
    assert result == {key: steps[-1][key] for key in result}
    assert (answer["result"]["target"], answer["result"]["type"]) == (
        steps[-1]["target"],
        steps[-1]["type"],
    )
    assert (answer["expression"], answer["error"], answer["note"]) == (text, None, "")
    assert (answer["build"], answer["frame"]) == ("first-print", 741)


async def test_digits_and_texts_of_each_step(desk: Served, http: aiohttp.ClientSession) -> None:
    """IEEE 754: 0x3FD9999A is the binary32 nearest to 1.7."""
    answer = await desk.ask(http, "held_x_low")
    assert [(step["kind"], step["hex"], step["text"]) for step in answer["steps"]] == [
        ("symbol", "80180B60", "0x80180B60"),
        ("add", "80180C9C", "0x80180C9C"),
        ("follow", "802003D0", "0x802003D0"),
        ("add", "802003FC", "0x802003FC"),
        ("add", "802003FC", "0x802003FC"),
        ("value", "3FD9999A", "1.7"),
        ("part", "999A", "39322"),
        ("result", "999A", "0x999A"),
    ]
    result = answer["result"]
    assert (result["status"], result["reason"]) == (
        "freed",
        "courier.held points into a free block (block 2)",
    )
    assert (result["label"], result["words"], result["hex"]) == ("Written half", "hit", "999A")


async def test_an_index_tells_how_many_elements(desk: Served, http: aiohttp.ClientSession) -> None:
    answer = await desk.ask(http, "courier.satchel[courier.room * 0 + 2].code")
    (index,) = [step for step in answer["steps"] if step["kind"] == "index"]
    assert (index["offset"], index["count"]) == (0x10, 2)
    assert all(step["count"] is None for step in answer["steps"] if step is not index)


async def test_the_strip_is_the_dumps_own_bytes(desk: Served, http: aiohttp.ClientSession) -> None:
    strip = (await desk.ask(http, "held_x_low"))["strip"]
    memory = gzip.decompress((SAMPLES / HOLD).read_bytes())
    assert strip["address"] == 0x8020_03F0
    length = len(strip["bytes"])
    assert length in (16, 32)
    assert strip["bytes"] == list(memory[0x20_03F0 : 0x20_03F0 + length])
    assert (strip["value"], strip["part"]) == ([0xC, 4], [0xE, 2])
    assert (strip["order"], strip["type"]) == ("big", "f32")


async def test_an_expression_that_is_not_understood_says_where(
    desk: Served, http: aiohttp.ClientSession
) -> None:
    answer = await desk.ask(http, "1 + courier.heldd")
    assert answer["error"]["at"] == 4
    assert answer["error"]["message"].startswith("Actor has no field heldd")
    assert (answer["result"], answer["steps"], answer["strip"]) == (None, [], None)


@pytest.mark.parametrize("text", ["\0", "(" * 390, "\n", "a\nb", "9**9**9**9", "é̈", "__import__"])
async def test_no_text_harms_the_server(
    desk: Served, http: aiohttp.ClientSession, text: str
) -> None:
    if text.strip():
        answer = await desk.ask(http, text)
        assert answer["error"] or answer["result"]["status"] == "error"
    else:
        async with http.get(desk.ask_url(text)) as refused:
            assert refused.status == 400
    assert (await desk.ask(http, "1 + 1"))["result"]["value"] == 2


def test_a_fault_in_another_text_has_no_column() -> None:
    fault = ExpressionError("is unknown", expression="other + 1", column=3)
    answer = answer_json("mine", Answer(4, "export", 0.0, error=fault))
    assert answer["error"] == {"message": "is unknown", "at": None}


async def test_answers_follow_the_game(tmp_path: Path, http: aiohttp.ClientSession) -> None:
    path = write_sample(tmp_path, "demo.mcap", kind="recording")
    async with serving(path) as desk, http.ws_connect(desk.ask_url("frame_began")) as asking:
        answers: list[dict[str, Any]] = []
        while len(answers) < 20:
            answer = await asking.receive_json(timeout=5)
            await asking.send_str("ack")
            if not answer["note"]:
                answers.append(answer)
    assert all(answer["result"]["value"] == answer["frame"] for answer in answers)
    assert len({answer["frame"] for answer in answers}) == 20


# What it refuses


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("", "expr: expected one watch's name or expression\n"),
        ("?expr=", "expr: expected one watch's name or expression\n"),
        ("?expr=%20%09", "expr: expected one watch's name or expression\n"),
        ("?expr=1&expr=2", "expr: expected one watch's name or expression\n"),
        (f"?expr={'1' * 401}", "expr: expected at most 400 characters, found 401\n"),
        (f"?expr={quote('é' * 401)}", "expr: expected at most 400 characters, found 401\n"),
    ],
)
async def test_without_one_expression_of_bounded_length_there_is_400(
    desk: Served, http: aiohttp.ClientSession, query: str, words: str
) -> None:
    async with http.get(f"{desk.url}ask{query}") as answer:
        assert (answer.status, await answer.text()) == (400, words)
    assert desk.questions.open == []


async def test_the_longest_expression_is_answered(
    desk: Served, http: aiohttp.ClientSession
) -> None:
    text = "1 +" + " " * (LONGEST - 4) + "2"
    assert len(text) == LONGEST
    assert (await desk.ask(http, text))["result"]["value"] == 3


async def test_too_many_questions_are_refused_and_closed_ones_make_room(
    desk: Served, http: aiohttp.ClientSession
) -> None:
    sockets = [await http.ws_connect(desk.ask_url("1")) for _ in range(overlay.MAX_ASKED)]
    assert len(desk.questions.open) == overlay.MAX_ASKED == 31
    async with http.get(desk.ask_url("2"), headers={"Connection": "close"}) as answer:
        assert (answer.status, await answer.text()) == (
            503,
            "31 questions are open already; close one first\n",
        )
    await sockets.pop().close()
    await eventually(lambda: len(desk.questions.open) < overlay.MAX_ASKED, 3, "one closed")
    assert (await desk.ask(http, "2"))["result"]["value"] == 2
    for socket in sockets:
        await socket.close()
    await until_closed(desk)


async def test_a_request_that_is_no_socket_leaves_no_question(
    desk: Served, http: aiohttp.ClientSession
) -> None:
    async with http.get(desk.ask_url("1")) as answer:
        assert answer.status == 400
    await until_closed(desk)


async def test_a_client_that_goes_while_it_asks_is_no_fault(
    desk: Served, caplog: pytest.LogCaptureFixture
) -> None:
    """Its connection has ended before the server has read what it asks."""
    place = urlsplit(desk.ask_url("1"))
    request = (
        f"GET /ask?{place.query} HTTP/1.1\r\nHost: {place.netloc}\r\nUpgrade: websocket\r\n"
        "Connection: Upgrade\r\nSec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n"
        "Sec-WebSocket-Version: 13\r\n\r\n"
    )
    seen: list[str] = []
    ask = desk.questions.ask

    def asked(text: str) -> Question:
        seen.append(text)
        return ask(text)

    desk.questions.ask = asked  # type: ignore[method-assign,assignment]
    with caplog.at_level(logging.WARNING):
        for _ in range(20):
            with create_connection((place.hostname or "", place.port or 0)) as client:
                client.sendall(request.encode())
            await eventually(lambda: seen.pop(0) == "1" if seen else False, 3, "asked")
            await until_closed(desk)
    assert caplog.records == []


@pytest.mark.parametrize("message", ["write", "ack ack", "2 + 2", '{"expr": "1"}', "", b"ack"])
async def test_any_message_but_an_acknowledgement_closes(
    desk: Served, http: aiohttp.ClientSession, message: str | bytes
) -> None:
    async with http.ws_connect(desk.ask_url("1")) as asking:
        await asking.receive_json(timeout=3)
        if isinstance(message, bytes):
            await asking.send_bytes(message)
        else:
            await asking.send_str(message)
        closed = await asking.receive(timeout=3)
        assert (closed.type, closed.data, closed.extra) == (
            aiohttp.WSMsgType.CLOSE,
            1008,
            "this socket only sends",
        )
    await until_closed(desk)


async def test_acknowledging_what_was_not_sent_closes(
    desk: Served, http: aiohttp.ClientSession
) -> None:
    async with http.ws_connect(desk.ask_url("1")) as asking:
        for _ in range(50):
            await asking.send_str("ack")
        while (received := await asking.receive(timeout=3)).type is aiohttp.WSMsgType.TEXT:
            pass
        assert received.data == 1008


async def test_without_acknowledgement_two_are_sent(
    tmp_path: Path, http: aiohttp.ClientSession
) -> None:
    path = write_sample(tmp_path, "demo.mcap", kind="recording")
    async with serving(path) as desk, http.ws_connect(desk.ask_url("frame_began")) as asking:
        await asking.receive(timeout=3)
        await asking.receive(timeout=3)
        with pytest.raises(TimeoutError):
            await asking.receive(timeout=0.3)
        await asking.send_str("ack")  # there was more to send
        assert (await asking.receive(timeout=3)).type is aiohttp.WSMsgType.TEXT


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Host": "evil.example"}, 421),
        ({"Host": "127.0.0.1:1"}, 421),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "websocket"}, 403),
    ],
)
async def test_strangers_ask_nothing(
    desk: Served, http: aiohttp.ClientSession, headers: dict[str, str], status: int
) -> None:
    with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
        await http.ws_connect(desk.ask_url("1"), headers=headers)
    assert refused.value.status == status
    assert desk.questions.open == []


async def test_its_own_origin_may_ask(desk: Served, http: aiohttp.ClientSession) -> None:
    async with http.ws_connect(desk.ask_url("1"), origin=desk.url.rstrip("/")) as asking:
        assert (await asking.receive_json(timeout=3))["result"]["value"] == 1


async def test_the_daemons_end_closes_the_sockets(
    tmp_path: Path, http: aiohttp.ClientSession
) -> None:
    async with serving(write_sample(tmp_path, HOLD)) as desk:
        asking = await http.ws_connect(desk.ask_url("1"))
        await asking.receive_json(timeout=3)
        questions = desk.questions
    closed = await asking.receive(timeout=2)
    assert (closed.data, closed.extra) == (1001, "lowhalf stops")
    await asking.close()
    assert questions.open == []
