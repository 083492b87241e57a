"""What the MQTT output says of itself for the page that shows it: in words, without secrets."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Iterator
from pathlib import Path

import pytest

from adapters.outputs.mqtt.output import MqttOutput, Timing
from bridge.readings.reading import Watch
from bridge.values.value_type import INTEGER
from schemas import output_settings
from tests.adapters.mosquitto import Mosquitto, free_port, needs_mosquitto, until
from tests.adapters.running import running

HP = Watch("hp", "HP", "hp", INTEGER)
SECRET = "the-lamp-is-lit"


@pytest.fixture
def stopped(tmp_path: Path) -> Iterator[Mosquitto]:
    broker = Mosquitto(tmp_path)
    yield broker
    broker.thaw()
    broker.kill()


def made(url: str, user: str = "", password: str | None = None) -> MqttOutput:
    output = MqttOutput(
        output_settings.MqttOutput(url=url),
        "desk",
        user=user,
        password=password,
        log=logging.getLogger("test"),
        timing=Timing(longest_retry=0.2, refused_retry=0.1),
    )
    output.announce([HP])
    return output


def test_before_it_runs_it_says_so() -> None:
    assert made("mqtt://127.0.0.1:1883").state == "not connected: not tried yet"


async def test_without_a_broker_it_says_why() -> None:
    url = f"mqtt://127.0.0.1:{free_port()}"
    output = made(url)
    async with running(output):
        await until(lambda: "refused" in output.state, 3, "refused")
        assert output.state == f"not connected: {url}: connection refused"


@needs_mosquitto
async def test_it_follows_the_broker(stopped: Mosquitto) -> None:
    stopped.start()
    output = made(stopped.url)
    async with running(output):
        await until(lambda: output.state == f"connected to {stopped.url}", 5, "connected")
        stopped.kill()
        await until(lambda: output.state.startswith("not connected: "), 5, "lost")
        assert output.state.startswith(f"not connected: {stopped.url}: ")
        stopped.start()
        await until(lambda: output.state == f"connected to {stopped.url}", 5, "back")


@needs_mosquitto
async def test_no_credential_stands_in_it(stopped: Mosquitto) -> None:
    stopped.set_password("keeper", SECRET)
    stopped.start()
    refused = made(stopped.url, "keeper", f"{SECRET}-wrong")
    async with running(refused):
        await until(lambda: "authorized" in refused.state, 5, "refused")
        assert refused.state == (
            f"not connected: {stopped.url} refused: not authorized; check user and "
            "LOWHALF_MQTT_PASSWORD"
        )
    output = made(stopped.url, "keeper", SECRET)
    async with running(output):
        states = set()
        for _ in range(200):
            states.add(output.state)
            if output.state.startswith("connected"):
                break
            await asyncio.sleep(0.02)
    assert f"connected to {stopped.url}" in states
    assert not [state for state in states if SECRET in state or "keeper" in state]
