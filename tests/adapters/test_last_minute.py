"""The last minute of a rolling recording, kept when it is asked for, against what was recorded."""

from __future__ import annotations

import asyncio
import json
import logging
import re
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import aiohttp
import pytest
from mcap.reader import make_reader

from adapters.commands.run import outputs_of
from adapters.outputs.recording.last_minute import KeptMinute, keep_minute, minute_path
from adapters.outputs.recording.output import RecordingOutput
from adapters.outputs.web.server import OverlayServer
from adapters.recordings.reader import open_recording
from adapters.recordings.rolling import RollingRecorder
from adapters.sessions.bridge_file import load_bridge
from adapters.sessions.setup import sampling_setup
from adapters.sources.catalogue import make_source
from bridge.daemon import Daemon
from bridge.ports.controls import Controls
from bridge.ports.output import Output
from bridge.prepared import prepare
from bridge.questions.question import Questions
from schemas.errors import OutputError
from tests.adapters.browser import new_page
from tests.adapters.desk_daemon import LOG, eventually
from tests.adapters.test_recording import ABOUT, STARTED, replayed
from tests.adapters.test_rolling import RATE, Story
from tests.commands.test_paces import FIRST, SAMPLES, bridge

KEEP = '\n[outputs.recording]\nkeep = "10 min"\n'
PAGES = '\n[outputs.overlay]\nlisten = "127.0.0.1:0"\n'
NAME = re.compile(r"lap-kept-\d{8}-\d{6}(-\d+)?\.mcap")


@dataclass
class Stepped:
    """A daemon that plays the demo's recording frame by frame."""

    controls: Controls
    outputs: Sequence[Output]
    daemon: Daemon

    async def step(self, frames: int) -> None:
        taken = self.taken + frames
        self.controls.step(frames)
        await eventually(lambda: self.taken == taken, 60, f"{taken} frames")

    @property
    def taken(self) -> int:
        return 0 if self.daemon.last is None else self.daemon.last.stats.frames

    @property
    def pages(self) -> OverlayServer:
        return next(each for each in self.outputs if isinstance(each, OverlayServer))

    @property
    def state(self) -> str:
        return next(each.state for each in self.outputs if isinstance(each, RecordingOutput))


@asynccontextmanager
async def stepped(folder: Path, tables: str = KEEP, *lines: str) -> AsyncIterator[Stepped]:
    path = bridge(folder, 'pace = "stepped"', "repeat = true", *lines)
    path.write_text(path.read_text("utf-8") + tables, "utf-8")
    loaded = load_bridge(path)
    ready = prepare(loaded)
    setup = sampling_setup(loaded, ready)
    questions, controls = Questions(setup.clock), Controls()
    source = make_source(loaded.file.source, folder, ready, controls)
    outputs = outputs_of(loaded, ready, questions, LOG, show="nothing", controls=controls)
    daemon = Daemon(source, outputs, setup, log=LOG, questions=questions)
    running = asyncio.create_task(daemon.run())
    try:
        yield Stepped(controls, outputs, daemon)
    finally:
        running.cancel()
        await asyncio.wait([running])


def frames_of(path: Path) -> list[tuple[int, float]]:
    recording = open_recording(path)
    assert recording.complete
    groups = range(len(recording.groups))
    frames = [frame for group in groups for frame in recording.frames(group)]
    return [(frame.number, frame.time) for frame in frames]


def files_in(folder: Path) -> tuple[list[Path], list[Path]]:
    """The recordings that were kept, and those that roll."""
    found = sorted((folder / "recordings").iterdir())
    kept = [path for path in found if NAME.fullmatch(path.name)]
    return kept, [path for path in found if path not in kept]


async def test_the_last_frame_is_in_it_and_what_goes_on_is_not(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    demo = frames_of(SAMPLES / "demo.mcap")
    async with stepped(tmp_path) as game:
        await game.step(700)
        words = await game.controls.keep_last_minute()
        (kept,), _ = files_in(tmp_path)
        assert NAME.fullmatch(kept.name)
        # 699 frames lie 11.65 s apart, and no time of the machine is in it
        assert words == f"kept the last 12 s, 700 frames: {kept.name}"
        found = frames_of(kept)
        assert [number for number, _ in found] == [number for number, _ in demo[:700]]
        apart = [abs(ours - theirs) for (_, ours), (_, theirs) in zip(found, demo, strict=False)]
        assert max(apart) < 1000  # nanoseconds: seconds as a float have no more
        # one of each frame's readings, too
        with kept.open("rb") as stream:
            said = [
                json.loads(message.data)["frame"]
                for _, channel, message in make_reader(stream).iter_messages()
                if channel.topic == "lowhalf/readings"
            ]
        assert said == [number for number, _ in demo[:700]]
        assert words in game.state
        assert words in caplog.messages
        assert str(tmp_path) not in words
        # recording goes on behind it
        await game.step(10)
    _, rolling = files_in(tmp_path)
    taken = [number for path in rolling for number, _ in frames_of(path)]
    assert taken == list(range(FIRST, FIRST + 710))


def test_it_is_a_minute(tmp_path: Path) -> None:
    """70 s at 20 a second, in files of 8 s."""
    story = Story()
    recorder = RollingRecorder(tmp_path, "lap", ABOUT, keep=80.0)
    story.play(recorder, 0, 70 * RATE)
    path = minute_path(tmp_path, "lap")
    kept = keep_minute(recorder, path, STARTED + (70 * RATE - 1) / RATE)
    # both ends of 60 s are frames
    assert (kept.path, kept.frames) == (path, 60 * RATE + 1)
    assert kept.words == f"kept the last 60 s, 1201 frames: {path.name}"
    assert replayed(path) == list(story.images.items())[-kept.frames :]
    # what is kept does not go with the files that roll
    story.play(recorder, 70 * RATE, 170 * RATE)
    recorder.close()
    assert recorder.files[0].name > "lap-000008.mcap"
    assert len(replayed(path)) == kept.frames
    assert path not in recorder.files


async def test_what_an_earlier_run_has_left_is_not_in_it(tmp_path: Path) -> None:
    for frames in (20, 30):
        async with stepped(tmp_path) as game:
            await game.step(frames)
            assert f", {frames} frames: " in await game.controls.keep_last_minute()


async def test_one_at_a_time(tmp_path: Path) -> None:
    async with stepped(tmp_path) as game:
        with pytest.raises(OutputError) as caught:
            await game.controls.keep_last_minute()
        assert caught.value.detail == "nothing is kept now"
        await game.step(5)
        first = asyncio.ensure_future(game.controls.keep_last_minute())
        await asyncio.sleep(0)
        assert game.state.endswith("; keeping the last minute")
        with pytest.raises(OutputError) as caught:
            await game.controls.keep_last_minute()
        assert caught.value.detail == "the last minute is being kept already"
        assert await first in game.state
        # another one has another name, also within the same second
        assert await game.controls.keep_last_minute() != first.result()


async def test_a_disk_that_does_not_take_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> int:
        path.write_bytes(b"begun")
        raise OSError(28, "No space left on device")

    path = tmp_path / "recordings" / "lap-kept-1.mcap"
    async with stepped(tmp_path) as game:
        await game.step(5)
        monkeypatch.setattr("adapters.outputs.recording.output.minute_path", lambda *_: path)
        with monkeypatch.context() as patched:
            patched.setattr("adapters.recordings.rolling.copy_part", full)
            with pytest.raises(OutputError) as caught:
                await game.controls.keep_last_minute()
        assert caught.value.detail == "lap-kept-1.mcap is not kept: No space left on device"
        assert not path.exists()
        # and the recording itself goes on
        await game.step(5)
        assert ", 10 frames: " in await game.controls.keep_last_minute()


@pytest.mark.parametrize("tables", ["", "\n[outputs.recording]\n"])
async def test_without_one(tmp_path: Path, tables: str) -> None:
    async with stepped(tmp_path, tables) as game:
        await game.step(1)
        with pytest.raises(OutputError) as caught:
            await game.controls.keep_last_minute()
    assert caught.value.detail == (
        "the last minute is not at hand: add [outputs.recording] with keep to the bridge file"
    )


async def test_of_clips_too(tmp_path: Path) -> None:
    async with stepped(tmp_path, '\n[outputs.recording]\nclips = "attempts"\n') as game:
        await game.step(3)
        assert ", 3 frames: " in await game.controls.keep_last_minute()


def test_names_and_words(tmp_path: Path) -> None:
    first = minute_path(tmp_path, "lap")
    assert NAME.fullmatch(first.name)
    first.touch()
    assert NAME.fullmatch(minute_path(tmp_path, "lap").name)
    assert minute_path(tmp_path, "lap") != first
    assert KeptMinute(first, 3, 0.4).words == f"kept the last 0 s, 3 frames: {first.name}"


# On the desk


async def test_the_desk_asks_by_post(tmp_path: Path) -> None:
    async with stepped(tmp_path, KEEP + PAGES) as game, aiohttp.ClientSession() as http:
        await game.pages.listening.wait()
        url = game.pages.url

        async def asked(path: str, **headers: str) -> tuple[int, str]:
            async with http.post(url + path, headers=headers) as answer:
                found = await answer.text()
                return answer.status, json.loads(found)["words"] if found[0] == "{" else found

        assert await asked("keep") == (409, "nothing is kept now")
        assert await asked("step") == (200, "")
        await eventually(lambda: game.taken == 1, 20, "a frame")
        status, words = await asked("keep", Origin=url.rstrip("/"))
        assert status == 200
        assert re.fullmatch(r"kept the last 0 s, 1 frame: lap-kept-.*\.mcap", words)
        for strange in (
            {"Origin": "http://elsewhere.example"},
            {"Origin": "null"},
            {"Sec-Fetch-Site": "cross-site"},
            {"Host": "elsewhere.example"},
        ):
            for path in ("keep", "step"):
                assert (await asked(path, **strange))[0] in (403, 421)
        async with http.get(url + "keep") as answer:
            assert answer.status == 405
        assert game.taken == 1
        assert len(files_in(tmp_path)[0]) == 1
        async with http.ws_connect(f"{url}live?parts=desk") as live:
            shown = await live.receive_json(timeout=5)
        assert shown["health"]["controls"] == ["keep", "step"]


async def test_a_desk_where_nothing_can_be_asked_for(tmp_path: Path) -> None:
    async with stepped(tmp_path, PAGES) as game, aiohttp.ClientSession() as http:
        await game.pages.listening.wait()
        game.controls.steps = None
        async with http.post(game.pages.url + "keep") as answer:
            assert answer.status == 409
            assert (await answer.json())["words"].startswith("the last minute is not at hand: add")
        async with http.post(game.pages.url + "step") as answer:
            assert answer.status == 409
            assert (await answer.json())["words"].startswith("frames come by themselves")


@pytest.mark.needs("chromium", "chromium")
async def test_keys_and_buttons_of_the_page(tmp_path: Path, browser: str) -> None:
    async with stepped(tmp_path, KEEP + PAGES) as game, new_page(browser, 1280, 720) as page:
        await game.pages.listening.wait()
        game.controls.step()
        await page.open(f"{game.pages.url}desk")
        await page.wait_for("document.body?.dataset.link", "live")
        for number, press in enumerate((BUTTON.format("step"), KEY.format(".")), FIRST + 1):
            await page.evaluate(press)
            await page.wait_for(
                "document.querySelector('#where').textContent.split(' ')[1]", str(number)
            )
        for count, press in enumerate((BUTTON.format("keep-minute"), KEY.format("k")), 1):
            await page.evaluate(press)
            await eventually(lambda: len(kept_so_far(tmp_path)) == count, 20, "kept")  # noqa: B023
            newest = kept_so_far(tmp_path)[-1]
            await page.wait_for(TOLD, f"kept the last 0 s, 3 frames: {newest}")
        # what cannot be done is told, and no button is there for it
        game.controls.keep = None
        await page.evaluate(KEY.format("k"))
        await page.wait_for(f"{TOLD}.startsWith('the last minute is not at hand: add')")
        game.controls.step()
        await page.wait_for("document.querySelector('#keep-minute').hidden")
        assert not await page.evaluate("document.querySelector('#step').hidden")
        # not on the page that others see
        await page.open(f"{game.pages.url}overlay")
        await page.wait_for("document.body.textContent.includes('Room')")
        assert "kept" not in await page.evaluate("document.body.textContent")


BUTTON = "document.querySelector('#{}').click()"
KEY = "document.body.dispatchEvent(new KeyboardEvent('keydown', {{key: '{}', bubbles: true}}))"
TOLD = "document.querySelector('#told').textContent"


def kept_so_far(folder: Path) -> list[str]:
    """The names of what is kept, in the order in which it was."""
    found = (folder / "recordings").glob("*-kept-*")
    return [path.name for path in sorted(found, key=lambda path: path.stat().st_mtime_ns)]
