"""Keys of actions: marks in a recording, made in the terminal and on the desk, and who reads them.

What stands in the files is read by MCAP's own library for Python, and held against the JSON Schema
that stands there (JSON Schema 2020-12, by ``jsonschema``).
"""

from __future__ import annotations

import asyncio
import io
import json
from pathlib import Path

import aiohttp
import pytest
from jsonschema import Draft202012Validator
from mcap.reader import make_reader
from mcap.writer import Writer

from adapters.commands.main import main
from adapters.outputs.recording.output import RecordingOutput
from adapters.outputs.terminal.output import TerminalOutput
from adapters.recordings.copying import copy_part
from adapters.recordings.reader import Mark, open_recording
from adapters.recordings.recorder import Recorder
from adapters.recordings.rolling import RollingRecorder
from bridge.memory.address_map import Span
from bridge.ports.controls import Controls
from bridge.ports.source import Consistency
from schemas import output_settings
from schemas.bridge_file import KEYS_IN_USE
from schemas.errors import OutputError, SourceUnusable
from tests.adapters.browser import new_page
from tests.adapters.test_last_minute import KEY, PAGES, TOLD, frames_of, stepped
from tests.adapters.test_recording import ABOUT, BASE, SIZE, STARTED, moments, replayed
from tests.adapters.test_rolling import RATE, Story
from tests.adapters.test_terminal_session import command
from tests.adapters.tmux_window import Tmux, shows, tmux
from tests.commands.test_paces import FIRST, bridge

__all__ = ["tmux"]  # a fixture

KEYS = '\n[learn]\nkeys = { "1" = "gallery_door", "2" = "call_gull" }\n'
RECORDED = "\n[outputs.recording]\n"
RAM = Span(BASE, SIZE)


def marks_in(path: Path) -> list[tuple[int, str]]:
    """Frame and name of each mark, by a general reader; each is what its own schema says."""
    found = []
    with path.open("rb") as stream:
        for schema, channel, message in make_reader(stream).iter_messages():
            if channel.topic == "lowhalf/marks":
                assert schema is not None
                assert (schema.encoding, channel.message_encoding) == ("jsonschema", "json")
                told = json.loads(message.data)
                Draft202012Validator(json.loads(schema.data)).validate(told)
                found.append((told["frame"], told["name"]))
    return found


def topics_of(path: Path) -> set[str]:
    with path.open("rb") as stream:
        summary = make_reader(stream).get_summary()
    assert summary is not None
    return {channel.topic for channel in summary.channels.values()}


def recorded(path: Path, marked: dict[int, list[str]] | None, count: int = 300) -> Path:
    """A recording with marks behind frames; of None one that can have none."""
    with Recorder(path, ABOUT, marks=marked is not None) as recorder:
        recorder.mark(1, "too_early")
        for moment in moments(count):
            parts = [(RAM, moment.image)]
            recorder.frame(moment.number, moment.time, Consistency.GUARDED, parts)
            for name in (marked or {}).get(moment.number, ()):
                recorder.mark(moment.number, name)
    return path


# keys


async def recorded_anew(tmp_path: Path) -> Path:
    """The demo's recording, stepped and recorded; keys come some frames late."""
    async with stepped(tmp_path, RECORDED + PAGES + KEYS) as game, aiohttp.ClientSession() as http:
        terminal = TerminalOutput(output_settings.TerminalOutput(), io.StringIO())
        terminal._controls = game.controls
        await game.pages.listening.wait()
        url = game.pages.url

        async def pressed(key: str) -> tuple[int, str]:
            async with http.post(f"{url}mark", params={"key": key}) as answer:
                return answer.status, (await answer.json())["words"]

        assert await pressed("1") == (409, "nothing is recorded yet")
        assert await pressed("3") == (409, "no action has the key 3: add it to [learn] keys")
        await game.step(973 - FIRST)
        terminal._pressed("1")
        assert list(terminal._said) == ["marked gallery_door in frame 972"]
        await game.step(56)
        assert await pressed("2") == (200, "marked call_gull in frame 1028")
        for strange in ({"Origin": "http://elsewhere.example"}, {"Sec-Fetch-Site": "cross-site"}):
            async with http.post(f"{url}mark?key=2", headers=strange) as answer:
                assert answer.status in (403, 421)
        async with http.ws_connect(f"{url}live?parts=desk") as live:
            shown = await live.receive_json(timeout=5)
        assert shown["health"]["keys"] == {"1": "gallery_door", "2": "call_gull"}
        path = next(e.path for e in game.outputs if isinstance(e, RecordingOutput))
    assert path is not None
    return path


def test_a_key_in_the_terminal_and_on_the_desk_marks_what_learning_takes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The frames in which the heap changed are those of the game's story (tests/guest/script.c)."""
    path = asyncio.run(recorded_anew(tmp_path))
    assert marks_in(path) == [(972, "gallery_door"), (1028, "call_gull")]
    assert [number for number, _ in frames_of(path)] == list(range(FIRST, 1029))

    file = bridge(tmp_path, name="learn")
    assert main(["learn", str(file), "--recording", str(path), "--json"]) in (0, 1)
    output = capsys.readouterr()
    learned = {each["action"]: each for each in json.loads(output.out)["actions"]}
    frames = {name: [f["frame"] for f in each["frames"]] for name, each in learned.items()}
    assert frames == {"gallery_door": [961], "call_gull": [1021]}
    assert output.err == ""


async def test_without_a_recording_it_says_what_is_missing(tmp_path: Path) -> None:
    async with stepped(tmp_path, PAGES + KEYS) as game, aiohttp.ClientSession() as http:
        await game.pages.listening.wait()
        async with http.post(f"{game.pages.url}mark?key=1") as answer:
            words = (await answer.json())["words"]
        assert words == "nothing is recorded that could be marked: add [outputs.recording]"
        async with http.ws_connect(f"{game.pages.url}live?parts=desk") as live:
            assert (await live.receive_json(timeout=5))["health"]["keys"] == {}
    with pytest.raises(OutputError, match="no action has the key 9"):
        Controls().press("9")


@pytest.mark.needs("tmux", "tmux")
async def test_the_key_of_a_terminal(tmux: Tmux, tmp_path: Path) -> None:
    path = bridge(tmp_path)
    path.write_text(path.read_text("utf-8") + RECORDED + KEYS, "utf-8")
    tmux.run("resize-window", "-x", "120", "-y", "30")
    tmux.type(command(path))
    await shows(tmux, ["1: gallery_door", "2: call_gull", "frame "])
    tmux.run("send-keys", "-l", "2")
    await shows(tmux, ["marked call_gull in frame "])
    tmux.run("send-keys", "C-c")
    await shows(tmux, ["code 0"])
    (made,) = (tmp_path / "recordings").iterdir()
    assert [name for _, name in marks_in(made)] == ["call_gull"]


@pytest.mark.needs("chromium", "chromium")
async def test_keys_and_buttons_of_the_page(tmp_path: Path, browser: str) -> None:
    async with (
        stepped(tmp_path, RECORDED + PAGES + KEYS) as game,
        new_page(browser, 1280, 720) as page,
    ):
        await game.pages.listening.wait()
        await game.step(1)
        await page.open(f"{game.pages.url}desk")
        await page.wait_for("document.querySelectorAll('#action-keys button').length", 2)
        await page.evaluate(KEY.format("1"))
        await page.wait_for(TOLD, f"marked gallery_door in frame {FIRST}")
        await page.evaluate("document.querySelectorAll('#action-keys button')[1].click()")
        await page.wait_for(TOLD, f"marked call_gull in frame {FIRST}")
        # held, it is pressed once
        held = KEY.replace("bubbles: true", "bubbles: true, repeat: true").format("1")
        await page.evaluate(held)
        listed = await page.evaluate(
            "[...document.querySelectorAll('#help-list dt kbd')].map((each) => each.textContent)"
        )
        path = next(e.path for e in game.outputs if isinstance(e, RecordingOutput))
    assert path is not None
    assert marks_in(path) == [(FIRST, "gallery_door"), (FIRST, "call_gull")]
    # every single key of the page is refused to actions, but for digits
    words = [word for line in listed if "+" not in line for word in line.split(" ")]
    singles = {word for word in words if len(word) == 1 and word.isascii()}
    assert singles - set("0123456789") == KEYS_IN_USE - set("K")


# files


def test_a_recording_without_keys_has_no_channel_of_marks(tmp_path: Path) -> None:
    plain = recorded(tmp_path / "plain.mcap", None)
    marked = recorded(tmp_path / "marked.mcap", {250: ["call_gull"]})
    assert topics_of(marked) - topics_of(plain) == {"lowhalf/marks"}
    assert b"lowhalf/marks" not in plain.read_bytes()
    assert open_recording(plain).marks() == []
    assert replayed(plain) == replayed(marked)


def test_marks_stand_with_the_time_of_their_frames(tmp_path: Path) -> None:
    wanted = {110: ["call_gull"], 200: ["shoo_gull", "call_gull"], 399: ["shoo_gull"]}
    path = recorded(tmp_path / "a.mcap", wanted)
    flat = [(number, name) for number, names in wanted.items() for name in names]
    assert marks_in(path) == flat
    times = dict(frames_of(path))
    assert open_recording(path).marks() == [Mark(n, int(times[n]), name) for n, name in flat]
    # any other arrangement of the same messages, by another writer
    copy = tmp_path / "copy.mcap"
    with path.open("rb") as stream, copy.open("wb") as out:
        writer = Writer(out, use_chunking=False)
        writer.start(library="another")
        numbers: dict[str, int] = {}
        for schema, channel, message in make_reader(stream).iter_messages():
            if channel.topic not in numbers:
                known = schema and writer.register_schema(schema.name, schema.encoding, schema.data)
                encoding = channel.message_encoding
                numbers[channel.topic] = writer.register_channel(
                    channel.topic, encoding, known or 0
                )
            number = numbers[channel.topic]
            writer.add_message(number, message.log_time, message.data, message.publish_time)
        writer.finish()  # type: ignore[no-untyped-call]
    assert open_recording(copy).marks() == open_recording(path).marks()
    assert replayed(copy) == replayed(path)


def test_a_mark_between_two_groups_is_on_the_disk_at_once(tmp_path: Path) -> None:
    """As where the runner sits before a frame that stands: what was written is flushed by then."""
    path = tmp_path / "a.mcap"
    recorder = Recorder(path, ABOUT, marks=True)
    made = moments(120)
    for number, moment in enumerate(made):
        parts = [(RAM, moment.image)]
        recorder.frame(moment.number, moment.time, Consistency.GUARDED, parts)
        if number in (40, 119):
            recorder.flush()
            recorder.mark(moment.number, f"after_{number}")
    recorder.abandon()
    recording = open_recording(path)
    assert not recording.complete
    assert [(mark.frame, mark.name) for mark in recording.marks()] == [
        (140, "after_40"),
        (219, "after_119"),
    ]
    assert replayed(path) == [(moment.number, moment.image) for moment in made]


def test_clips_and_files_that_roll_keep_those_of_their_frames(tmp_path: Path) -> None:
    story = Story()
    recorder = RollingRecorder(tmp_path, "pier", ABOUT, keep=50.0, marks=True)
    story.play(recorder, 0, 150)
    recorder.mark(149, "first")
    story.play(recorder, 150, 300)
    recorder.mark(299, "second")
    clip = tmp_path / "clips" / "a.mcap"
    recorder.clip(clip, STARTED + 10, STARTED + 299 / RATE)
    assert marks_in(clip) == [(299, "second")]
    recorder.close()
    assert len(recorder.files) == 3
    assert [mark for path in recorder.files for mark in marks_in(path)] == [
        (149, "first"),
        (299, "second"),
    ]
    whole = tmp_path / "whole.mcap"
    copy_part(recorder.files, whole, STARTED, STARTED + 99)
    assert marks_in(whole) == [(149, "first"), (299, "second")]


@pytest.mark.parametrize("data", [b"{", b"[]", b'{"frame": 1}', b'{"frame": "1", "name": "a"}'])
def test_a_damaged_mark_is_told_where_marks_are_read(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "a.mcap"
    recorder = Recorder(path, ABOUT, marks=True)
    recorder.frame(1, STARTED, Consistency.STILL, [(RAM, bytes(SIZE))])
    recorder._message(recorder._json_channels["lowhalf/marks"], data)
    recorder.close()
    assert len(replayed(path)) == 1
    with pytest.raises(SourceUnusable, match="is damaged: ") as caught:
        open_recording(path).marks()
    if data != b"{":  # whose words are those of Python's own reader of JSON
        assert " in a mark" in str(caught.value)
