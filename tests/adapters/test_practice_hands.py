"""Counting by one hand on the page to practise with: buttons, keys, a game pad; and its cue.

The game pad is a stand-in for navigator.getGamepads of the shape that the W3C's "Gamepad" gives it,
and the sound one for AudioContext, whose time is the page's.
"""

from __future__ import annotations

import asyncio
import json
import statistics
import time
from collections.abc import AsyncIterator
from functools import partial
from typing import Any

import pytest
import pytest_asyncio

from tests.adapters.browser import FRAME, Page, new_page
from tests.adapters.canned_desk import CannedDesk, DeskServer, full_desk
from tests.adapters.canned_practice import practising, states
from tests.adapters.desk_hands import LINK, press, text, texts

pytestmark = [
    pytest.mark.needs("chromium", "chromium"),
    pytest.mark.asyncio(loop_scope="module"),
]
SCREEN = 1280, 720
TOLD = text("#told")
HANDS = texts(".hand")


@pytest_asyncio.fixture(loop_scope="module")
async def desk(server: DeskServer) -> AsyncIterator[CannedDesk]:
    async with server.showing(full_desk()) as shown:
        shown.snapshot = practising()
        yield shown


@pytest.fixture
def counted(desk: CannedDesk) -> list[str]:
    """What was counted by hand, in its order."""
    asked: list[str] = []

    def by_hand(what: str) -> tuple[str, int]:
        asked.append(what)
        return f"{what}: attempt {len(asked)}", 200

    desk.by_hand = by_hand
    return asked


async def show(page: Page, desk: CannedDesk) -> None:
    await page.open(desk.url.replace("/desk", "/practice"))
    await page.wait_for(LINK, "live")


async def click(page: Page, selector: str) -> None:
    await page.evaluate(f"document.querySelector({json.dumps(selector)}).click(); 0")


async def test_a_button_each_and_what_was_done_is_told(
    page: Page, desk: CannedDesk, counted: list[str]
) -> None:
    await show(page, desk)
    assert await page.evaluate(HANDS) == ["Count thisc", "Undou", "Againa"]
    for what in ("count", "undo", "again"):
        await click(page, f".hand.{what}")
    await page.wait_for(TOLD, "again: attempt 3")
    assert counted == ["count", "undo", "again"]  # in their order
    await page.evaluate("document.querySelector('.hand.count').focus(); 0")
    await press(page, "Enter")
    await press(page, "Enter", autoRepeat=True)  # is held
    await press(page, "Enter", autoRepeat=True)
    await page.wait_for(TOLD, "count: attempt 4")
    await press(page, "u")
    await page.wait_for(TOLD, "undo: attempt 5")
    desk.by_hand = lambda what: ("no attempt has ended that could be undone", 409)
    await click(page, ".hand.undo")
    await page.wait_for(TOLD, "no attempt has ended that could be undone")
    page.faults.clear()  # the browser itself tells of a 409


async def test_where_nothing_can_be_counted_there_are_no_buttons(
    page: Page, desk: CannedDesk, counted: list[str]
) -> None:
    desk.snapshot["health"]["controls"] = []
    await show(page, desk)
    assert await page.evaluate("document.getElementById('buttons').offsetHeight") == 0
    await press(page, "c")
    desk.tell(practising())
    await page.wait_for("document.getElementById('buttons').hidden", False)
    assert counted == []


async def test_what_could_not_be_asked_is_told(page: Page, desk: CannedDesk) -> None:
    await show(page, desk)
    await page.evaluate("window.AudioContext = class { constructor() { throw new Error() } }; 0")
    await press(page, "t")
    await page.wait_for(TOLD, "the browser gives this page no sound")
    await page.wait_for(text("#ticks"), "Ticks off t")
    await page.evaluate("window.fetch = async () => new Response('no', {status: 401}); 0")
    await click(page, ".hand.count")
    await page.wait_for(TOLD, "lowhalf answered 401: nothing is known of what was counted")
    await page.evaluate("window.fetch = async () => { throw new TypeError() }; 0")
    await click(page, ".hand.count")
    await page.wait_for(TOLD, "no connection to lowhalf: nothing was counted")


async def test_keys_count_are_chosen_by_pressing_them_and_can_be_turned_off(
    page: Page, desk: CannedDesk, counted: list[str]
) -> None:
    """WCAG 2.2, success criterion 2.1.4: remapped, and turned off; both are remembered."""
    await show(page, desk)
    await press(page, "c")
    await page.wait_for(TOLD, "count: attempt 1")
    await press(page, "c", modifiers=2)  # Ctrl + c copies
    await click(page, "#hands-settings")
    await press(page, "c")  # not while something is set
    await click(page, ".choices dd:nth-of-type(1) button:nth-child(1)")
    assert await page.evaluate(text("#hands-dialog .aside")) == (
        "press the key for count this; Backspace for none, Esc to leave it"
    )
    await press(page, "Escape")
    assert await page.evaluate("document.getElementById('hands-dialog').open")
    await click(page, ".choices dd:nth-of-type(1) button:nth-child(1)")
    await press(page, "u")  # was another's: that has none now
    assert await page.evaluate(texts(".choices dd button:nth-child(1)")) == [
        "key u", "no key", "key a", "key t"
    ]  # fmt: skip
    await click(page, "#hands-dialog .closing button")
    assert await page.evaluate(HANDS) == ["Count thisu", "Undo", "Againa"]
    await press(page, "c")
    await press(page, "u")
    await page.wait_for(TOLD, "count: attempt 2")
    assert counted == ["count", "count"]
    await show(page, desk)
    assert await page.evaluate(HANDS) == ["Count thisu", "Undo", "Againa"]
    await click(page, "#hands-settings")
    await click(page, "#single")
    await click(page, "#hands-dialog .closing button")
    await show(page, desk)
    assert await page.evaluate(HANDS) == ["Count this", "Undo", "Again"]
    await press(page, "u")
    await press(page, "Enter")
    await page.pass_time(0.3)
    assert counted == ["count", "count"]


async def test_where_nothing_is_remembered_all_works(
    page: Page, desk: CannedDesk, counted: list[str]
) -> None:
    """A browser may be told to keep nothing; what is kept may be anybody's."""
    deny = await page.call(
        "Page.addScriptToEvaluateOnNewDocument",
        source="Object.defineProperty(window, 'localStorage', {get() { throw new Error() }})",
    )
    await show(page, desk)
    await press(page, "c")
    await page.wait_for(TOLD, "count: attempt 1")
    await page.call("Page.removeScriptToEvaluateOnNewDocument", identifier=deny["identifier"])
    await page.open(desk.url.replace("/desk", "/bare"))
    for kept in ("[", "null", '{"keys": 3, "pads": {"count": {"pad": 1}}, "count": "x"}'):
        await page.evaluate(
            f"for (const n of ['hands', 'cue']) localStorage['lowhalf-desk-' + n] = {kept!r}; 0"
        )
        await show(page, desk)
        assert await page.evaluate(LINK) == "live"
    assert page.faults == []


# The game pad

PAD = """
window.pads = [null, null];
Object.defineProperty(navigator, "getGamepads", {configurable: true, value: () => {
  window.looks++;
  return window.pads;
}});
window.looks = 0;
window.pad = (...pressed) => {
  window.pads = [null, {id: "harbour pad", index: 1, connected: true,
    buttons: Array.from({length: 17}, (_, i) => ({pressed: pressed.includes(i)}))}];
};
"""


async def plug(page: Page, *pressed: int) -> None:
    await page.evaluate(f"pad(...{list(pressed)}); dispatchEvent(new Event('gamepadconnected')); 0")


async def hold(page: Page, *pressed: int) -> None:
    """Those buttons and no others, for a tenth of a second."""
    await page.evaluate(f"pad(...{list(pressed)}); 0")
    await page.pass_time(0.1, FRAME)


async def test_a_pads_button_is_chosen_by_pressing_it_and_counts_when_it_goes_down(
    page: Page, desk: CannedDesk, counted: list[str]
) -> None:
    kept = await page.call("Page.addScriptToEvaluateOnNewDocument", source=PAD)
    await show(page, desk)
    looked = await page.evaluate("looks")
    await page.pass_time(0.3)
    assert await page.evaluate("looks") == looked  # nothing is looked at while there is no pad
    await plug(page, 5)  # held from before: it was not pressed for this page
    await page.pass_time(0.2, FRAME)
    assert await page.evaluate("looks") > looked + 5
    await click(page, "#hands-settings")
    await click(page, ".choices dd:nth-of-type(1) button:nth-child(2)")
    await hold(page, 5)
    assert await page.evaluate(texts(".choices dd button:nth-child(2)")) == [
        "press a button", "no pad button", "no pad button", "no pad button"
    ]  # fmt: skip
    await hold(page, 5, 3)
    await hold(page)
    assert (await page.evaluate(texts(".choices dd button:nth-child(2)")))[0] == "pad 3"
    await click(page, "#hands-dialog .closing button")
    assert (await page.evaluate(HANDS))[0] == "Count thiscpad 3"
    assert counted == []
    await hold(page, 3)
    await hold(page, 3)  # once, however long it is held
    await hold(page, 4)
    await hold(page, 3)
    await page.wait_for(TOLD, "count: attempt 2")
    await page.evaluate("pads = [null, null]; 0")
    await page.pass_time(0.1, FRAME)
    looked = await page.evaluate("looks")
    await page.pass_time(0.2, FRAME)
    assert await page.evaluate("looks") == looked
    # it is remembered, and held while the page loads it does nothing
    await show(page, desk)
    assert (await page.evaluate(HANDS))[0] == "Count thiscpad 3"
    await plug(page, 3)
    await hold(page, 3)
    assert counted == ["count", "count"]
    await hold(page)
    await hold(page, 3)
    await page.wait_for(TOLD, "count: attempt 3")
    await page.call("Page.removeScriptToEvaluateOnNewDocument", identifier=kept["identifier"])


# The cue

SOUND = """
window.sounds = [];
window.AudioContext = class {
  constructor() { this.destination = {}; window.context = this; }
  get currentTime() { return performance.now() / 1000 + 7; }
  async resume() { this.state = "running"; }
  async close() { this.state = "closed"; }
  createGain() {
    return { gain: {value: 1, setValueAtTime() {}, linearRampToValueAtTime() {},
      exponentialRampToValueAtTime() {}}, connect: (to) => to, disconnect() {} };
  }
  createOscillator() {
    const sound = { frequency: {}, connect: (to) => to,
      start: (at) => {
        sound.at = {at: at - 7, pitch: sound.frequency.value, heard: true};
        sounds.push(sound.at);
      },
      stop: (at) => { if (at === undefined) sound.at.heard = false; } };
    return sound;
  }
};
"""
HEARD = "sounds.filter(s => s.heard).map(s => [Math.round(s.at * 1000), s.pitch])"


def counting(frame: int, moment: int, **more: Any) -> Any:
    since = frame - moment if frame >= moment else None
    return practising(frame, window={"frames": [60, 63], "since": since}, **more)


async def play(page: Page, desk: CannedDesk, frames: range, **more: Any) -> None:
    for frame in frames:
        await page.take(partial(desk.tell, counting(frame, 860, **more)))


async def test_ticks_sound_once_they_are_switched_on_and_end_with_the_step(
    page: Page, desk: CannedDesk
) -> None:
    """60 frames a second: the window's first frame is 920, which comes at 920 - 812 frames."""
    kept = await page.call("Page.addScriptToEvaluateOnNewDocument", source=SOUND)
    await show(page, desk)
    assert await page.evaluate(text("#ticks")) == "Ticks off t"
    await play(page, desk, range(820, 870))
    assert await page.evaluate("[window.context === undefined, sounds.length]") == [True, 0]
    await press(page, "t")
    await page.wait_for(text("#ticks"), "Ticks on t")
    assert await page.evaluate("document.getElementById('ticks').ariaPressed") == "true"
    await play(page, desk, range(870, 925))
    now = await page.evaluate("performance.now()")
    heard = await page.evaluate(HEARD)
    aim = now - 4 * 1000 * FRAME
    assert [at for at, _ in heard] == pytest.approx([aim - 750, aim - 500, aim - 250, aim], abs=25)
    assert [pitch for _, pitch in heard] == [880, 880, 880, 1318.5]
    # the moment comes anew, and the step ends in the midst of it
    for frame in range(1000, 1020):
        await page.take(partial(desk.tell, counting(frame, 1000)))
    await page.take(partial(desk.tell, practising(1020, step="write", window=None)))
    await page.pass_time(1, FRAME)
    now = await page.evaluate("performance.now()")
    assert [at for at, _ in (await page.evaluate(HEARD))[4:] if at > now - 1000] == []
    await click(page, "#ticks")
    await page.wait_for("context.state", "closed")
    await page.call("Page.removeScriptToEvaluateOnNewDocument", identifier=kept["identifier"])


LISTEN = """
window.began = [];
window.came = {};
{
  const start = OscillatorNode.prototype.start;
  OscillatorNode.prototype.start = function (at) {
    const ahead = at - this.context.currentTime;
    began.push({ at: performance.now() + 1000 * ahead, ahead, state: this.context.state });
    start.call(this, at);
  };
  window.WebSocket = class extends WebSocket {
    constructor(...all) {
      super(...all);
      this.addEventListener("message", ({ data }) => {
        came[JSON.parse(data).frame] ??= performance.now();
      });
    }
  };
}
"""


@pytest.mark.full
async def test_the_browsers_own_sound_in_real_time(browser: str, desk: CannedDesk) -> None:
    """A click, as a person's, lets it sound.

    The last ticks of five cues stand, by its own clock and to a frame, where the page was sent the
    window's first frame; how well frames are sent hangs on the machine.
    """
    async with new_page(browser, *SCREEN, still=False) as page:
        await page.call("Page.addScriptToEvaluateOnNewDocument", source=LISTEN)
        await show(page, desk)
        x, y = await page.evaluate(
            "(b => [b.left + 9, b.top + 9])"
            "(document.getElementById('ticks').getBoundingClientRect())"
        )
        for kind in ("mousePressed", "mouseReleased"):
            await page.call(
                "Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1
            )
        await page.wait_for(text("#ticks"), "Ticks on t")
        begun, frame = time.monotonic(), 1000
        while frame < 1600:
            frame = 1000 + int((time.monotonic() - begun) * 60)
            desk.tell(counting(frame, 1100 + (frame - 1100) // 100 * 100))
            await asyncio.sleep(max(0, begun + (frame - 999) / 60 - time.monotonic()))
        heard, came = await page.evaluate("began"), await page.evaluate("came")
        assert {each["state"] for each in heard} == {"running"}
        assert min(each["ahead"] for each in heard) >= 0
        firsts = [came[str(n)] for n in range(1160, 1600, 100) if str(n) in came]
        off = [min((each["at"] - first for each in heard), key=abs) for first in firsts]
        print([round(each, 1) for each in off])
        assert len(off) >= 3
        assert abs(statistics.median(off)) < 1000 * FRAME


async def test_sound_that_the_browser_does_not_allow_yet_is_told_and_nothing_is_put_in(
    page: Page, desk: CannedDesk
) -> None:
    """As where a pad's button asks for it: its time stands still until somebody clicks."""
    kept = await page.call(
        "Page.addScriptToEvaluateOnNewDocument",
        source=SOUND
        + """
        AudioContext.prototype.state = "suspended";
        AudioContext.prototype.pleas = 0;
        AudioContext.prototype.resume = function () { this.pleas++; return new Promise(() => {}); };
        """,
    )
    await show(page, desk)
    await press(page, "t")
    await play(page, desk, range(860, 925))
    await page.wait_for(TOLD, "the browser lets this page sound only behind a click or a key")
    assert await page.evaluate("[sounds.length, context.pleas <= 3]") == [0, True]
    await page.call("Page.removeScriptToEvaluateOnNewDocument", identifier=kept["identifier"])


FLOAT = "Number(document.getElementById('bar').style.getPropertyValue('--at'))"


async def test_the_bar_goes_with_the_games_frames_and_stops_with_them(
    page: Page, desk: CannedDesk
) -> None:
    await show(page, desk)
    await play(page, desk, range(830, 860))
    assert await page.evaluate("document.getElementById('bar').hasAttribute('data-waits')")
    await play(page, desk, range(860, 880))
    await page.take(partial(desk.tell, counting(880, 860)), FRAME / 4)
    at = [await page.evaluate(FLOAT)]
    for _ in range(3):
        await page.pass_time(FRAME / 4, FRAME / 4)
        at.append(await page.evaluate(FLOAT))
    length = 64 + 8
    assert at[0] == pytest.approx(20 / length, abs=0.6 / length)
    assert at[0] < at[1] < at[2]  # between two frames
    await page.pass_time(2, FRAME)
    assert await page.evaluate(FLOAT) < 21 / length  # it did not come
    words = text("#cue-words")
    await page.wait_for(words, "in 40")
    # a screen that is three frames late is shown what comes in three frames
    before = await page.evaluate(FLOAT)
    late = "document.getElementById('cue-screen')"
    await page.evaluate(f"{late}.value = 50; {late}.dispatchEvent(new Event('change')); 0")
    await page.take(desk.tell)
    await page.wait_for(words, "in 37")
    assert await page.evaluate(FLOAT) - before == pytest.approx(3 / length, abs=0.2 / length)
    await page.evaluate(f"{late}.value = 0; {late}.dispatchEvent(new Event('change')); 0")
    for frame, told in ((921, "now"), (927, "4 late")):
        await page.take(partial(desk.tell, counting(frame, 860)))
        await page.wait_for(words, told)


async def test_with_less_motion_the_float_goes_from_notch_to_notch(
    page: Page, desk: CannedDesk
) -> None:
    await page.emulate(prefers_reduced_motion="reduce")
    await show(page, desk)
    places = set()
    for frame in range(830, 930):
        await page.take(partial(desk.tell, counting(frame, 860)))
        places.add(await page.evaluate(FLOAT))
    assert 4 <= len(places) <= 7


async def test_the_tap_test_finds_a_delay_which_is_taken_or_left(
    page: Page, desk: CannedDesk
) -> None:
    """Whoever taps 90 ms behind each tick is told so; each stands for a press at that time."""
    kept = await page.call("Page.addScriptToEvaluateOnNewDocument", source=SOUND)
    await show(page, desk)
    await click(page, "#cue-settings")
    for kind, nth in (("speaker", 1), ("screen", 2)):
        await click(page, f".taps .kinds:first-child button:nth-child({nth})")
        assert await page.evaluate("document.querySelector('.tap-place').hidden") is False
        await page.evaluate(
            "window.begun = performance.now() + 1200; window.key = (at) => {"
            "const event = new KeyboardEvent('keydown', {key: 'x', bubbles: true});"
            "Object.defineProperty(event, 'timeStamp', {value: at});"
            "document.activeElement.dispatchEvent(event)}; 0"
        )
        await page.pass_time(1.3)
        if kind == "speaker":
            assert (await page.evaluate("sounds.length")) >= 1
        await page.evaluate(
            "for (let i = 0; i < 16; i++) key(begun + 800 * i + 90 + (i === 9 ? 200 : i % 3)); 0"
        )
        told = text(".taps > [role=status]")
        assert await page.evaluate(told) == (
            "late by 91 ms, spread 1 ms, of 12 taps, 1 left out; 0 ms is set"
        )
        assert await page.evaluate("document.querySelector('.tap-place').hidden")
        await click(page, f".taps .kinds:last-child button:nth-child({nth})")
        found = await page.evaluate(f"document.getElementById('cue-{kind}').value")
        assert found == ("91", "0")[nth - 1]
    assert json.loads(await page.evaluate("localStorage['lowhalf-desk-cue']"))["speaker"] == 91
    assert await page.evaluate("context.state") == "closed"  # ticks were off before
    # uneven taps are not offered
    await click(page, ".taps .kinds:first-child button:nth-child(2)")
    await page.evaluate("for (let i = 0; i < 16; i++) key(begun + 800 * i + (i % 5) * 70); 0")
    assert str(await page.evaluate(told)).endswith("too uneven, try again")
    assert await page.evaluate("document.querySelector('.taps .kinds:last-child').innerText") == ""
    await page.call("Page.removeScriptToEvaluateOnNewDocument", identifier=kept["identifier"])


async def test_a_lost_connection_or_source_ends_the_cue(page: Page, desk: CannedDesk) -> None:
    await show(page, desk)
    await play(page, desk, range(850, 880))
    desk.fall_silent()
    await page.pass_time(7)
    assert await page.evaluate(LINK) == "lost"
    assert await page.evaluate("document.getElementById('bar').hasAttribute('data-waits')")
    desk.speak()
    desk.tell(states()["offline"])
    await page.wait_for("document.body.dataset.source", "offline")
    assert await page.evaluate(text("#cue-words")) == "41 to 44"
    desk.tell(states()["soon"])
    await page.wait_for("document.getElementById('cue').hasAttribute('data-idle')")
    assert await page.evaluate(text("#cue-words")) == ""
