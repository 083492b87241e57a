"""The output json: whole lines, and a reader that is slow or gone."""

from __future__ import annotations

import asyncio
import io
import json
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TextIO

import pytest
from jsonschema import Draft202012Validator

from adapters.commands.json_schema import json_schema
from adapters.outputs.json_lines import JsonLines
from adapters.system_clock import system_clock
from bridge.heap.told_events import MAX_TOLD, EventTeller
from bridge.questions.question import Questions
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status
from bridge.values.value_type import TEXT
from schemas.errors import OutputError
from schemas.output_settings import JsonOutput
from tests.adapters.made_frames import EAST, forty, frame, good, three
from tests.adapters.pipes import pipe
from tests.adapters.running import running
from tests.bridge.test_heap_events import heap_of
from tests.commands import files
from tests.commands.command import lowhalf


def made(stream: TextIO) -> JsonLines:
    return JsonLines(JsonOutput(), stream)


async def until(done: Callable[[], bool], seconds: float = 3) -> None:
    end = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < end
        await asyncio.sleep(0.005)


def _ends_with(stream: io.StringIO, ending: str) -> bool:
    return stream.getvalue().endswith(ending)


async def test_a_line_a_frame() -> None:
    stream = io.StringIO()
    output = made(stream)
    output.announce([EAST])
    frames = [three(number) for number in range(1, 6)]
    async with running(output):
        for each in frames:
            output.publish(each)
            ending = f"{json.dumps(each.as_json(), separators=(',', ':'))}\n"
            await until(partial(_ends_with, stream, ending))
    lines = stream.getvalue().splitlines()
    assert [json.loads(line) for line in lines] == [each.as_json() for each in frames]
    assert output.skipped == 0


async def test_lines_are_ascii_and_valid_whatever_the_guest_holds() -> None:
    stream = io.StringIO()
    output = made(stream)
    name = Watch("name", "", "name", TEXT)
    readings = [
        good(name, "pier\n\x1b[31m\u2028\udc80"),
        Reading(EAST, Status.ERROR, float("inf"), reason="not finite"),
    ]
    async with running(output):
        output.publish(frame(1, readings))
        await until(lambda: stream.getvalue().endswith("\n"))
    line = stream.getvalue()
    assert line.isascii()
    assert line.count("\n") == 1
    assert "\x1b" not in line
    assert json.loads(line)["readings"][0]["value"] == "pier\n\x1b[31m\u2028\udc80"
    assert json.loads(line)["readings"][1]["value"] is None


async def test_a_slow_reader_blocks_nothing_and_gets_the_newest() -> None:
    worst = 0.0
    received: list[int] = []
    with pipe() as (far, stream):
        output = made(stream)

        def read_all() -> None:
            with open(far.fileno(), encoding="utf-8", closefd=False) as lines:
                for line in lines:
                    received.append(json.loads(line)["frame"])
                    if received[-1] == 300:
                        return

        reader = threading.Thread(target=read_all)
        async with running(output):
            for number in range(1, 301):  # about 1.5 MB: far more than a pipe holds
                output.publish(forty(number))
                begun = time.perf_counter()
                await asyncio.sleep(0.002)
                worst = max(worst, time.perf_counter() - begun)
            assert output.skipped > 100
            reader.start()
            await until(lambda: 300 in received)
        reader.join(3)
    assert worst < 0.25
    assert received == sorted(set(received))
    assert len(received) + output.skipped == 300


async def test_it_stops_within_a_second_while_a_write_is_stuck() -> None:
    with pipe() as (_, stream):
        output = made(stream)
        async with running(output):
            for number in range(1, 101):
                output.publish(forty(number))
                await asyncio.sleep(0.002)
            begun = time.monotonic()
        assert time.monotonic() - begun < 1.0
        assert output.skipped > 0


async def test_a_reader_that_has_gone_is_an_error() -> None:
    with pipe() as (far, stream):
        far.close()
        output = made(stream)
        output.publish(three(1))
        with pytest.raises(OutputError) as failed:
            async with asyncio.timeout(2):
                await output.run()
    assert str(failed.value) == "json: the reader has closed its end"
    assert isinstance(failed.value.__cause__, BrokenPipeError)


async def test_a_closed_stream_is_an_error() -> None:
    stream = io.StringIO()
    stream.close()
    output = made(stream)
    output.publish(three(1))
    with pytest.raises(OutputError) as failed:
        async with asyncio.timeout(2):
            await output.run()
    assert str(failed.value) == "json: cannot write: I/O operation on closed file"


_PROGRAM = """
import asyncio, sys, threading
from adapters.outputs.json_lines import JsonLines
from schemas.output_settings import JsonOutput
from tests.adapters.made_frames import forty

async def main():
    output = JsonLines(JsonOutput(), sys.stdout)
    task = asyncio.create_task(output.run())
    for number in range(200):
        output.publish(forty(number))
        await asyncio.sleep(0.002)
    task.cancel()
    await asyncio.wait([task])
    print("ended", file=sys.stderr)

asyncio.run(main())
"""


def test_a_program_ends_although_nobody_reads_its_output() -> None:
    """A stuck thread must not hold a lock that the interpreter wants at its end."""
    process = subprocess.Popen(
        [sys.executable, "-c", _PROGRAM],
        cwd=Path(__file__).parents[2],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    try:
        assert process.wait(15) == 0
        assert process.stderr is not None
        assert process.stderr.read().decode().strip() == "ended"
    finally:
        process.kill()
        process.communicate()


async def test_a_line_has_the_heap_events_since_the_line_before() -> None:
    """Also of frames that a slow reader never got; what is told no more is counted."""
    stream, story = io.StringIO(), EventTeller()
    questions = Questions(system_clock())
    output = JsonLines(JsonOutput(heap_events=True), stream, questions.heap)
    output.announce([EAST])
    used: dict[int, tuple[str, int, int | None]] = {}

    def place(frame: int, count: int) -> None:
        used.update({16 * (len(used) + n): ("reed", 16, n) for n in range(count)})
        story.take(frame, heap_of(used), numbered=True, unclear=False)

    place(1, 0)
    async with running(output):
        for frame, (first, second) in enumerate([(2, 0), (3, 4), (MAX_TOLD, 7), (0, 0)], 1):
            for number, count in ((2 * frame, first), (2 * frame + 1, second)):
                place(number, count)
                output.publish(replace(three(number), heap_events=story.told))
            await until(lambda n=frame: stream.getvalue().count("\n") == n)  # type: ignore[misc]
            assert questions.heap.question is not None
    assert questions.open == []
    lines = [json.loads(line) for line in stream.getvalue().splitlines()]
    assert [(len(line["events"]), line["events_left_out"]) for line in lines] == [
        *((2, 0), (7, 0), (MAX_TOLD, 7), (0, 0))
    ]
    told = [event for line in lines for event in line["events"]]
    assert [event["start"] - told[0]["start"] for event in told[:9]] == [16 * n for n in range(9)]
    schema = Draft202012Validator(json_schema("frame"))
    for line in lines:
        schema.validate(line)


@pytest.mark.wine("a recording of 1,200 frames takes a quarter of a minute there")
def test_every_event_of_a_recording_stands_in_some_line(tmp_path: Path) -> None:
    samples = Path(__file__).parents[2] / "sample_dumps"
    path = tmp_path / "lines.bridge.toml"
    schema = samples.parent / "schemas" / "games" / "tidewright.schema.toml"
    path.write_text(
        f"schema = {json.dumps(str(schema))}\n"
        f'[source]\nkind = "recording"\npath = {json.dumps(str(samples / "demo.mcap"))}\n'
        'pace = "all"\n[sampling]\nframe = "frame_began"\n[outputs.json]\nheap_events = true\n',
        "utf-8",
    )
    done = lowhalf("run", str(path))
    assert done.returncode == 0, done.stderr
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    # by the same schema: that of the recording knows no identity of an object
    words = ("events", str(samples / "demo.mcap"), "--bridge", str(path), "--json")
    printed = lowhalf(*words).stdout.splitlines()
    assert [event for line in lines for event in line["events"]] == [json.loads(p) for p in printed]
    assert len(lines) > len(printed) > 20
    # nobody asked: the lines are as they always were
    path.write_text(path.read_text("utf-8").replace("heap_events = true\n", ""), "utf-8")
    without = [json.loads(line) for line in lowhalf("run", str(path)).stdout.splitlines()]
    assert without == [
        {key: value for key, value in line.items() if not key.startswith("events")}
        for line in lines
    ]


def test_heap_events_need_a_heap_in_the_schema(tmp_path: Path) -> None:
    path = files.write(tmp_path)
    path.write_text(path.read_text("utf-8") + "\n[outputs.json]\nheap_events = true\n", "utf-8")
    done = lowhalf("run", str(path))
    assert done.returncode == 2
    assert "t.schema.toml: describes no heap; add [heap] with block, first, next" in done.stderr
