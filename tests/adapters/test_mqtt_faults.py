"""What is said where there is no connection: each cause by its name, and what to do.

The broker is mosquitto, with certificates that openssl makes here (RFC 5280 and RFC 9525 say
what is wrong with them), and TLS, plain MQTT and MQTT over a websocket (MQTT 5.0, section 6) at its
ports.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import random
import socket
import ssl
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt import client as paho

from adapters.outputs.mqtt.broker_url import Broker, parse_url
from adapters.outputs.mqtt.faults import Fault, told_apart
from adapters.outputs.mqtt.output import Timing
from schemas.errors import OutputError
from tests.adapters.mosquitto import Mosquitto, needs_mosquitto, needs_openssl, until
from tests.adapters.mqtt_desk import desk

# The client library leaves the socket of a failed handshake to the garbage collector.
pytestmark = pytest.mark.filterwarnings("ignore:unclosed <ssl.SSLSocket:ResourceWarning")


class At:
    def __init__(self, url: str) -> None:
        self.url = url


@pytest.fixture
def stopped(tmp_path: Path) -> Iterator[Mosquitto]:
    broker = Mosquitto(tmp_path)
    yield broker
    broker.kill()
    gc.collect()


async def first_line(url: str) -> str:
    async with desk(At(url)) as running:
        await until(lambda: running.log.lines, 15, "a line")
        missing = running.output.state
        line = running.log.lines[0][1]
        # The page says the same as the log.
        why = line.partition(f":{parse_url(url).port}: ")[2].removesuffix("; trying again")
        assert missing == f"not connected: {url}: {why}"
        # And it is said once.
        await asyncio.sleep(0.6)
        assert len(running.log.lines) == 1
        return line


@needs_mosquitto
@needs_openssl
async def test_a_certificate_that_nobody_trusts(stopped: Mosquitto) -> None:
    stopped.use_tls()
    stopped.start()
    assert await first_line(stopped.url) == (
        f"mqtt: no broker at 127.0.0.1:{stopped.port}: tls: certificate verify failed: self-signed "
        "certificate; name the file of who signed it in SSL_CERT_FILE; trying again"
    )


@needs_mosquitto
@needs_openssl
@pytest.mark.parametrize("name", ["IP:127.0.0.2", "DNS:harbour.example"])
async def test_a_certificate_for_another_host(
    stopped: Mosquitto, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    stopped.use_tls(name)
    stopped.start()
    monkeypatch.setenv("SSL_CERT_FILE", str(stopped.certificate))
    assert await first_line(stopped.url) == (
        f"mqtt: no broker at 127.0.0.1:{stopped.port}: tls: certificate verify failed: it is not "
        "for 127.0.0.1; write the host in url as the certificate has it; trying again"
    )


@needs_mosquitto
@needs_openssl
async def test_a_certificate_that_has_expired(
    stopped: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    stopped.use_tls(expired=True)
    stopped.start()
    monkeypatch.setenv("SSL_CERT_FILE", str(stopped.certificate))
    assert await first_line(stopped.url) == (
        f"mqtt: no broker at 127.0.0.1:{stopped.port}: tls: certificate verify failed: it has "
        "expired; renew it at the broker; trying again"
    )


@needs_mosquitto
@needs_openssl
async def test_no_version_of_tls_in_common(
    stopped: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    stopped.use_tls()
    stopped.settings.append("tls_version tlsv1.3")
    stopped.start()
    set_up = paho.Client.tls_set

    def dated(client: paho.Client, **settings: Any) -> None:
        set_up(client, **settings)
        assert client._ssl_context is not None
        client._ssl_context.maximum_version = ssl.TLSVersion.TLSv1_2

    monkeypatch.setattr(paho.Client, "tls_set", dated)
    assert await first_line(stopped.url) == (
        f"mqtt: no broker at 127.0.0.1:{stopped.port}: tls: no version of the protocol that both "
        "sides speak; trying again"
    )


@needs_mosquitto
@needs_openssl
async def test_a_broker_that_wants_a_certificate_of_the_client(
    stopped: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """RFC 8446, section 6.2: the alert certificate_required."""
    stopped.use_tls()
    stopped.settings += ["require_certificate true", f"cafile {stopped.certificate}"]
    stopped.start()
    monkeypatch.setenv("SSL_CERT_FILE", str(stopped.certificate))
    assert await first_line(stopped.url) == (
        f"mqtt: no broker at 127.0.0.1:{stopped.port}: tls: the broker asks for a certificate of "
        "the client, which lowhalf has not; trying again"
    )


@needs_mosquitto
@needs_openssl
async def test_a_tls_port_that_is_spoken_to_in_plain_text(stopped: Mosquitto) -> None:
    stopped.use_tls()
    stopped.start()
    assert await first_line(f"mqtt://127.0.0.1:{stopped.port}") == (
        f"mqtt: no broker at 127.0.0.1:{stopped.port}: tls is spoken there; write "
        f"mqtts://127.0.0.1:{stopped.port}; trying again"
    )


@needs_mosquitto
async def test_a_plain_port_that_is_spoken_to_in_tls(stopped: Mosquitto) -> None:
    stopped.start()
    assert await first_line(f"mqtts://127.0.0.1:{stopped.port}") == (
        f"mqtt: no broker at 127.0.0.1:{stopped.port}: no tls is spoken there, but plain MQTT; "
        f"write mqtt://127.0.0.1:{stopped.port}; trying again"
    )


@needs_mosquitto
@needs_openssl
@pytest.mark.parametrize(
    ("tls", "scheme", "over"),
    [
        (False, "mqtt", ""),
        (False, "mqtts", ""),
        (True, "mqtt", " over tls"),
        (True, "mqtts", " over tls"),
    ],
)
async def test_a_websocket_port(
    stopped: Mosquitto, tls: bool, scheme: str, over: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    if tls:
        stopped.use_tls()
        monkeypatch.setenv("SSL_CERT_FILE", str(stopped.certificate))
    stopped.use_websockets()
    stopped.start()
    assert await first_line(f"{scheme}://127.0.0.1:{stopped.port}") == (
        f"mqtt: no broker at 127.0.0.1:{stopped.port}: a websocket{over} is spoken there, which "
        "lowhalf does not speak; name the port at which the broker speaks MQTT; trying again"
    )


@asynccontextmanager
async def answering(answer: bytes | None) -> AsyncIterator[int]:
    """A port at which everything is answered with *answer*; None leaves all unanswered."""

    tasks = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        tasks.add(asyncio.current_task())
        with contextlib.suppress(OSError), contextlib.closing(writer):
            await reader.read(1)
            if answer is None:
                await reader.read()
            writer.write(answer or b"")

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        for task in filter(None, tasks):
            task.cancel()
        await asyncio.gather(*filter(None, tasks), return_exceptions=True)
        await asyncio.sleep(0.05)


@pytest.mark.parametrize("scheme", ["mqtt", "mqtts"])
async def test_a_web_server(scheme: str) -> None:
    async with answering(b"HTTP/1.1 400 Bad Request\r\nContent-Length: 0\r\n\r\n") as port:
        assert await first_line(f"{scheme}://127.0.0.1:{port}") == (
            f"mqtt: no broker at 127.0.0.1:{port}: http is spoken there; name the port at which "
            "the broker speaks MQTT; trying again"
        )


async def test_what_answers_nothing_is_told_as_that() -> None:
    async with answering(None) as port:
        assert await first_line(f"mqtt://127.0.0.1:{port}") == (
            f"mqtt: no broker at 127.0.0.1:{port}: no answer within 2 s; trying again"
        )


async def test_what_is_clear_is_not_looked_into() -> None:
    """No further connection is made to a port whose fault is known."""
    with socket.create_server(("127.0.0.1", 0)) as nobody:
        broker = Broker("127.0.0.1", nobody.getsockname()[1], tls=False)
        fault = Fault("not authorized", 135, refused=True)
        assert await told_apart(fault, broker) is fault
        nobody.settimeout(0.1)
        with pytest.raises(TimeoutError):
            nobody.accept()


@pytest.mark.parametrize("url", ["ws://127.0.0.1:9001", "wss://harbour.example/mqtt"])
def test_a_websocket_s_address_is_refused(url: str) -> None:
    with pytest.raises(OutputError) as caught:
        parse_url(url)
    assert str(caught.value) == (
        f'mqtt: url: expected mqtt://HOST:PORT or mqtts://HOST:PORT, found "{url}"; lowhalf does '
        "not speak MQTT over a websocket, so name another port of the broker"
    )


@pytest.mark.parametrize("times", [40, pytest.param(300, marks=pytest.mark.full)])
@pytest.mark.parametrize("lets_in", [False, True], ids=["at once", "after its consent"])
async def test_what_is_not_mqtt_ends_a_connection_and_not_the_output(
    lets_in: bool, times: int
) -> None:
    """Bytes at random, and packets of every type (MQTT 5.0, section 2.1.2) with bytes at random."""
    chance = random.Random(19)
    served = 0

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal served
        served += 1
        with contextlib.suppress(OSError), contextlib.closing(writer):
            await reader.read(1)
            if lets_in:
                writer.write(bytes.fromhex("20 03 00 00 00"))
            noise = chance.randbytes(chance.randrange(1, 60))
            if served % 2:
                noise = bytes([chance.randrange(256), len(noise)]) + noise
            writer.write(noise)
            await writer.drain()
            await asyncio.sleep(0.02)

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    timing = Timing(first_retry=0.001, longest_retry=0.001, refused_retry=0.001, patience=0.2)
    try:
        async with desk(At(f"mqtt://127.0.0.1:{port}"), timing=timing) as running:
            await until(lambda: served >= times or running.task.done(), 60, "enough noise")
            assert not running.task.done(), running.task.exception()
            assert running.output.state.startswith("not connected: ")
    finally:
        server.close()
        await asyncio.sleep(0.1)
