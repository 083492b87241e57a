"""A real mosquitto on an ephemeral loopback port, and mosquitto_sub as the receiving client."""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

_SYSTEM_PATH = os.pathsep.join([os.environ.get("PATH", ""), "/usr/local/sbin", "/usr/sbin"])
"""Debian keeps the broker where the PATH of an ordinary user does not look."""


def program(name: str) -> str:
    """The path of a program; its bare name where it is missing."""
    return shutil.which(name, path=_SYSTEM_PATH) or name


needs_mosquitto = pytest.mark.needs("mosquitto", program("mosquitto"), program("mosquitto_passwd"))
needs_openssl = pytest.mark.needs("openssl", program("openssl"))
needs_clients = pytest.mark.needs(
    "mosquitto-clients", program("mosquitto_sub"), program("mosquitto_pub")
)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


async def until(condition: Callable[[], object], seconds: float, what: str) -> float:
    """Wait until *condition* holds and return how long that took, in seconds."""
    began = time.monotonic()
    while not condition():
        if time.monotonic() - began > seconds:
            raise AssertionError(f"{what}: not within {seconds} s")
        await asyncio.sleep(0.005)
    return time.monotonic() - began


class Mosquitto:
    """A broker that keeps nothing on disk; it can be killed, frozen and started again."""

    def __init__(self, directory: Path) -> None:
        self.port = free_port()
        self._directory = directory
        self._passwords: Path | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self._log = directory / "broker.log"
        self.certificate: Path | None = None
        self.settings: list[str] = []
        """Further lines of its configuration."""

    @property
    def url(self) -> str:
        return f"mqtt{'s' if self.certificate else ''}://127.0.0.1:{self.port}"

    @property
    def log(self) -> str:
        return self._log.read_text(errors="replace")

    def set_password(self, user: str, password: str) -> None:
        """Let in nobody but *user*; tells a running broker."""
        self._passwords = self._directory / "passwords"
        self._passwords.touch(mode=0o600)
        subprocess.run(
            [program("mosquitto_passwd"), "-b", str(self._passwords), user, password],
            check=True,
            capture_output=True,
        )
        # The broker may have given up its rights before it reads the file again.
        self._passwords.chmod(0o644)
        self._signal(signal.SIGHUP)

    def allow(self, *rules: str) -> None:
        """Let all clients do what the lines of an access list say, and nothing else."""
        path = self._directory / "access"
        path.write_text("".join(f"topic {rule}\n" for rule in rules))
        self.settings.append(f"acl_file {path}")

    def use_websockets(self) -> None:
        """Speak MQTT over a websocket at the port; this version wants a plain one beside it."""
        self.settings += ["socket_domain ipv4", "protocol websockets"]
        self.settings.append(f"listener {free_port()} 127.0.0.1")

    def use_tls(self, name: str = "IP:127.0.0.1", *, expired: bool = False) -> None:
        """Make a key and a certificate for *name*; ``certificate`` is its file."""
        key, self.certificate = self._directory / "key.pem", self._directory / "certificate.pem"
        request = ["req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
        request += ["-subj", "/CN=127.0.0.1", "-keyout", str(key)]
        if expired:
            # Only the command of an authority takes a time in the past.
            asked, settings = self._directory / "asked.pem", self._directory / "authority.conf"
            (self._directory / "database").touch()
            settings.write_text(
                f"[ca]\ndefault_ca=own\n[own]\ndatabase={self._directory}/database\n"
                f"new_certs_dir={self._directory}\nrand_serial=yes\ndefault_md=sha256\n"
                "policy=any\nx509_extensions=more\n[any]\ncommonName=supplied\n"
                f"[more]\nsubjectAltName={name}\nbasicConstraints=CA:TRUE\n"
            )
            sign = ["ca", "-batch", "-selfsign", "-notext", "-config", str(settings)]
            sign += ["-keyfile", str(key), "-in", str(asked), "-out", str(self.certificate)]
            sign += ["-startdate", "20200101000000Z", "-enddate", "20200102000000Z"]
            commands = [[*request, "-out", str(asked)], sign]
        else:
            request += ["-x509", "-days", "2", "-addext", f"subjectAltName={name}"]
            commands = [[*request, "-out", str(self.certificate)]]
        for command in commands:
            subprocess.run([program("openssl"), *command], check=True, capture_output=True)
        key.chmod(0o644)

    def start(self) -> None:
        lines = [
            f"listener {self.port} 127.0.0.1",
            "persistence false",
            "log_dest stderr",
            "log_type all",
            "user root",
            "set_tcp_nodelay true",
        ]
        if self.certificate is not None:
            lines += [f"certfile {self.certificate}", f"keyfile {self._directory / 'key.pem'}"]
        lines += self.settings
        if self._passwords is None:
            lines.append("allow_anonymous true")
        else:
            lines += ["allow_anonymous false", f"password_file {self._passwords}"]
        config = self._directory / "broker.conf"
        config.write_text("\n".join(lines) + "\n")
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [program("mosquitto"), "-c", str(config)], stdout=log, stderr=log
            )
        deadline = time.monotonic() + 5
        while True:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port)):
                return
            if self._process.poll() is not None or time.monotonic() > deadline:
                raise AssertionError(f"the broker did not start: {self.log[-500:]}")
            time.sleep(0.01)

    def kill(self) -> None:
        self._signal(signal.SIGKILL)
        if self._process is not None:
            self._process.wait(5)
            self._process = None

    def freeze(self) -> None:
        self._signal(signal.SIGSTOP)

    def thaw(self) -> None:
        self._signal(signal.SIGCONT)

    def _signal(self, number: signal.Signals) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(number)


@dataclass(frozen=True)
class Heard:
    """A message as mosquitto_sub printed it."""

    topic: str
    payload: bytes
    qos: int
    retained: bool
    time: float


class Listener:
    """A mosquitto_sub that runs: everything that it heard, and the newest payload by topic.

    With *broker* it listens as soon as it is entered, and nothing is missed.
    """

    def __init__(
        self,
        port: int,
        topic: str = "homie/5/#",
        *,
        login: tuple[str, ...] = (),
        broker: Mosquitto | None = None,
    ) -> None:
        self._topic, self._broker = topic, broker
        self.heard: list[Heard] = []
        self._command = [program("mosquitto_sub"), "-h", "127.0.0.1", "-p", str(port), "-V", "5"]
        self._command += ["-q", "1", "-t", topic, "-F", "%r %q %t %x", *login]
        self._process: asyncio.subprocess.Process | None = None
        self._reader: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Listener:
        self._process = await asyncio.create_subprocess_exec(
            *self._command, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.DEVNULL
        )
        self._reader = asyncio.create_task(self._read())
        if (broker := self._broker) is not None:
            await until(lambda: f"\t{self._topic} (QoS" in broker.log, 10, "the listener")
        return self

    async def __aexit__(self, *_: object) -> None:
        assert self._process is not None
        assert self._reader is not None
        with contextlib.suppress(ProcessLookupError):
            self._process.kill()
        await self._process.wait()
        await self._reader

    async def _read(self) -> None:
        assert self._process is not None
        assert self._process.stdout is not None
        async for line in self._process.stdout:
            retained, qos, topic, *payload = line.decode().rstrip("\n").split(" ")
            self.heard.append(
                Heard(
                    topic,
                    bytes.fromhex("".join(payload)),
                    int(qos),
                    retained == "1",
                    time.monotonic(),
                )
            )

    def payloads(self, topic: str) -> list[bytes]:
        return [message.payload for message in self.heard if message.topic == topic]

    def newest(self, topic: str) -> bytes | None:
        return next(reversed(self.payloads(topic)), None)


async def retained(port: int, *, login: tuple[str, ...] = ()) -> dict[str, bytes]:
    """What a client that comes now is given, by topic."""
    command = [program("mosquitto_sub"), "-h", "127.0.0.1", "-p", str(port), "-V", "5", "-W", "1"]
    command += ["--retained-only", "-q", "1", "-t", "homie/5/#", "-F", "%t %x", *login]
    process = await asyncio.create_subprocess_exec(
        *command, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.DEVNULL
    )
    out, _ = await process.communicate()
    found: dict[str, bytes] = {}
    for line in out.decode().splitlines():
        topic, _, payload = line.partition(" ")
        found[topic] = bytes.fromhex(payload)
    return found
