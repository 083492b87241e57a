"""Why there is no connection to a broker, in words that name the cause and what to do."""

from __future__ import annotations

import asyncio
import contextlib
import re
import ssl
from collections.abc import Iterator
from dataclasses import dataclass

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.reasoncodes import ReasonCode

from adapters.outputs.mqtt.broker_url import Broker

__all__ = ["Fault", "fault_of", "is_brokers", "told_apart"]

_PROBE = 1.0
"""Seconds that a look at what is spoken at a port may take."""
_CONNECT = bytes.fromhex("10 0D 00 04 4D 51 54 54 05 02 00 05 00 00 00")
"""MQTT 5.0, section 3.1: a client that asks for a name, with a clean start."""
_UPGRADE = (
    "GET /mqtt HTTP/1.1\r\nHost: {host}\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
    "Sec-WebSocket-Key: bG93aGFsZiBpcyBoZXJlLg==\r\nSec-WebSocket-Version: 13\r\n"
    "Sec-WebSocket-Protocol: mqtt\r\n\r\n"
)
"""RFC 6455, section 4.1, and MQTT 5.0, section 6."""
_ASKED_FOR = b"certificate required"
# RFC 5280 and OpenSSL's X509_verify_cert_error_string
_EXPIRED, _OF_ANOTHER_HOST = 10, (62, 64)
_NO_COMMON_VERSION = ("PROTOCOL_VERSION", "UNSUPPORTED_PROTOCOL", "NO_PROTOCOLS_AVAILABLE")


@dataclass(frozen=True, slots=True)
class Fault:
    """Why a connection ended: ``code`` is a reason code of MQTT 5.0, section 2.4, or 0.

    ``puzzling`` where it may be that another protocol is spoken there.
    """

    words: str
    code: int = 0
    refused: bool = False
    puzzling: bool = False


def is_brokers(error: BaseException) -> bool:
    """Whether the broker, or the way to it, is at fault."""
    if isinstance(error, BaseExceptionGroup):
        return all(is_brokers(part) for part in error.exceptions)
    return isinstance(error, aiomqtt.MqttError | OSError)


def fault_of(error: BaseException | None, broker: Broker, *, connected: bool) -> Fault:
    """What to know of a fault: of the first in a group that names its cause, else of the first.

    *connected* says whether the broker had let the client in before.
    """
    first: BaseException | None = None
    for leaf in _leaves(error):
        if first is None or (leaf.__cause__ is not None and first.__cause__ is None):
            first = leaf
    if first is None:
        return Fault("it ended")
    cause = first.__cause__ or first
    if isinstance(cause, ssl.SSLError):
        return _tls_fault(cause, broker)
    code = 0
    if isinstance(cause, aiomqtt.MqttCodeError) and isinstance(cause.rc, ReasonCode):
        code = cause.rc.value or 0
    text = re.sub(r"^\[(?:code:|Errno |WinError )-?\d+\] ", "", str(cause)) or type(cause).__name__
    if text == "Unspecified error":
        # What the client calls an end of the stream.
        text = "connection closed"
    if isinstance(cause, ConnectionRefusedError):
        text = "connection refused"  # each system says it in another way
    refused = isinstance(first, MqttConnectError)
    absent = isinstance(cause, ConnectionRefusedError) or (
        isinstance(cause, OSError) and not isinstance(cause, ConnectionError | TimeoutError)
    )
    return Fault(
        text[:1].lower() + text[1:].rstrip("."),
        code,
        refused,
        puzzling=not (connected or refused or absent),
    )


def _tls_fault(error: ssl.SSLError, broker: Broker) -> Fault:
    if isinstance(error, ssl.SSLCertVerificationError):
        failed = "tls: certificate verify failed: "
        if error.verify_code in _OF_ANOTHER_HOST:
            return Fault(
                f"{failed}it is not for {broker.host}; write the host in url as the certificate "
                "has it"
            )
        if error.verify_code == _EXPIRED:
            return Fault(f"{failed}it has expired; renew it at the broker")
        why = (error.verify_message or "not trusted").replace("self signed", "self-signed")
        return Fault(f"{failed}{why}; name the file of who signed it in SSL_CERT_FILE")
    reason = error.reason or ""
    if any(word in reason for word in _NO_COMMON_VERSION):
        return Fault("tls: no version of the protocol that both sides speak")
    words = reason.replace("_", " ").lower() or "the handshake was broken off"
    return Fault(f"tls: {words}", puzzling=True)


async def told_apart(fault: Fault, broker: Broker) -> Fault:
    """*fault* in other words where a look at the port finds that something else is spoken there."""
    if not fault.puzzling:
        return fault
    answers = await asyncio.gather(*(_spoken(broker, tls=tls) for tls in (False, True)))
    plain, tls = answers
    port = "name the port at which the broker speaks MQTT"
    if "websocket" in answers:
        over = " over tls" if plain != "websocket" else ""
        return Fault(f"a websocket{over} is spoken there, which lowhalf does not speak; {port}")
    if broker.tls and plain == "mqtt":
        return Fault(f"no tls is spoken there, but plain MQTT; write mqtt://{broker}")
    if broker.tls and tls == "certificate":
        return Fault("tls: the broker asks for a certificate of the client, which lowhalf has not")
    if not broker.tls and tls is not None:
        return Fault(f"tls is spoken there; write mqtts://{broker}")
    if "http" in answers:
        return Fault(f"http is spoken there; {port}")
    return fault


async def _spoken(broker: Broker, *, tls: bool) -> str | None:
    """``mqtt``, ``websocket`` or ``http``, or ``certificate`` where one is asked for; empty for
    what is none of these; None where nothing answers.
    """
    first, second = await asyncio.gather(
        _answer(broker, _CONNECT, tls=tls),
        _answer(broker, _UPGRADE.format(host=broker).encode(), tls=tls),
    )
    if first is None and second is None:
        return None
    if _ASKED_FOR in (first, second):
        return "certificate"
    # The first byte of a CONNACK, and of a status line that switches the protocol.
    if first and first[0] == 0x20:
        return "mqtt"
    if second and re.match(rb"HTTP/1\.1 101\b", second):
        return "websocket"
    if (first or b"").startswith(b"HTTP/") or (second or b"").startswith(b"HTTP/"):
        return "http"
    return "" if tls else None


async def _answer(broker: Broker, question: bytes, *, tls: bool) -> bytes | None:
    """The first bytes of what is answered to *question*; None where no connection comes about."""
    context: ssl.SSLContext | None = None
    if tls:
        # Nothing secret is said: whoever answers only shows that it speaks the protocol.
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
    writer: asyncio.StreamWriter | None = None
    found: bytes | None = None
    try:
        async with asyncio.timeout(_PROBE):
            reader, writer = await asyncio.open_connection(broker.host, broker.port, ssl=context)
            found = b""
            if tls:
                # An alert comes after the handshake, and is lost where something is sent first.
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(_PROBE / 3):
                        return await reader.read(64)
            writer.write(question)
            found = await reader.read(64)
    except (OSError, TimeoutError, ValueError) as fault:
        if isinstance(fault, ssl.SSLError) and "CERTIFICATE_REQUIRED" in (fault.reason or ""):
            found = _ASKED_FOR
    finally:
        if writer is not None:
            # What ended it is looked at, else it would be logged when the connection goes.
            with contextlib.suppress(Exception):
                writer.transport.abort()
                async with asyncio.timeout(_PROBE):
                    await writer.wait_closed()
    return found


def _leaves(error: BaseException | None) -> Iterator[BaseException]:
    if isinstance(error, BaseExceptionGroup):
        for part in error.exceptions:
            yield from _leaves(part)
    elif error is not None:
        yield error
