"""A plan drawn: on the terminal, and as a page that needs nothing else."""

from __future__ import annotations

from contextlib import redirect_stdout
from html.parser import HTMLParser
from io import StringIO
from pathlib import Path

import pytest
from hypothesis import given, settings

from adapters.commands.main import main
from adapters.commands.planning.page import page_of
from adapters.commands.planning.shown import show_plan
from adapters.commands.planning.stretched import scale_of
from adapters.printable import printable
from adapters.words.plans import alike, runs_words
from schemas.plan_file import PlanFile, plan_text
from tests.adapters.accessibility import violations
from tests.adapters.browser import Page
from tests.bridge.planning.made_plan import made_plan
from tests.evil_texts import EVIL
from tests.schemas.drawn_plans import plans

Capture = pytest.CaptureFixture[str]
SHOWN = """\
a gull at courier.held
4 steps, 165 frames, 1 input right to the frame
no sequence is cheaper: all that take fewer than 165 frames were looked at

first-print: file carry.bin.gz, frame 151; room is 0
export: derived from first-print; room is 0
export: the same blocks in the same order as first-print
    |crate#######|crate#######|lantern#####|gull########|buoy########|..........
                               ^ gull

 1. gallery_door: 95 frames; room becomes 1
    released: lantern 0x802003D0, gull 0x802005A0, buoy 0x80200780
    |crate#######|crate#######|.................................................
                               ^ gull

 2. break_crate: 28 frames
    released: crate 0x80200010
    |............|crate#######|.................................................
                               ^ gull

 3. light_mist: 30 frames
    handed out: mist_puff 0x802003D0
    |............|crate#######|mist_puff######|.................................
                               ^ gull

 4. whistle: 12 frames, 1 input right to the frame
    handed out: gull 0x80200010
    |gull########|crate#######|mist_puff######|.................................
                               ^ gull

"""


def kept(directory: Path, plan: PlanFile) -> Path:
    path = directory / "made.plan.toml"
    path.write_text(plan_text(plan), "utf-8")
    return path


def test_it_is_drawn_on_the_terminal(
    tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    assert main(["plan", "show", str(kept(tmp_path, made_plan()))]) == 0
    assert capsys.readouterr().out == SHOWN


def test_builds_of_other_shapes_have_strips_of_their_own(
    tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = made_plan("call_gull")
    step = plan.steps[0]
    other = {**step.layouts, "export": plan.start.builds["export"].blocks}
    plan = plan.model_copy(update={"steps": (step.model_copy(update={"layouts": other}),)})
    assert alike(plan) == [["first-print"], ["export"]]
    monkeypatch.setenv("COLUMNS", "80")
    assert main(["plan", "show", str(kept(tmp_path, plan))]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert "    first-print: handed out: gull 0x80200940" in lines
    assert "    export: every block is where one of its kind was" in lines
    assert lines.count("    export") == 2


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["show"], "expected one NAME.plan.toml behind show, found 0"),
        (["show", "a", "b"], "expected one NAME.plan.toml behind show, found 2"),
        (["show", "none.plan.toml"], "none.plan.toml: cannot be read: no such file or directory"),
        (
            ["show", "a", "--cover", "1"],
            "show draws a plan that was made; leave what is wanted out",
        ),
    ],
)
def test_what_cannot_be_drawn_is_told(
    words: list[str], message: str, capsys: Capture, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["plan", *words]) == 2
    assert capsys.readouterr().err == f"lowhalf: {message}\n"


def test_actions_that_follow_themselves_are_counted() -> None:
    assert runs_words(["a", "b", "b", "b", "a"]) == "a, 3 × b, a"


def test_the_scale_keeps_blocks_and_cuts_what_is_empty_in_all_strips() -> None:
    plan = made_plan()
    scale = scale_of(plan, "export")
    low, high = plan.start.builds["export"].arena
    # all that blocks ever cover is drawn byte for byte
    assert scale.place(low) == 0
    assert scale.place(low + 0x940) == 0x940
    assert scale.length < 0x940 + 0x200
    assert scale.place(high) == scale.place(high + 5) == scale.length
    places = [scale.place(address) for address in range(low, high, 0x10)]
    assert places == sorted(places)
    for layout in (plan.start.builds["export"].blocks, plan.steps[2].layouts["export"]):
        drawn = list(scale.drawn(layout))
        assert [one.end for one in drawn[:-1]] == [other.begin for other in drawn[1:]]
        assert [one.cut for one in drawn] == [False] * (len(drawn) - 1) + [True]
        assert sum(block.size for block in scale.as_blocks(layout)) == scale.length


class Read(HTMLParser):
    """What a page says, and which elements are open at its end."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.words: list[str] = []
        self.attributes: list[tuple[str, str, str | None]] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.attributes += [(tag, name, value) for name, value in attrs]
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open[-1:] != ["style"]:
            self.words.append(data.strip())


def test_the_page_stands_alone_and_says_what_the_plan_is(tmp_path: Path, capsys: Capture) -> None:
    path = tmp_path / "plan.html"
    assert main(["plan", "show", str(kept(tmp_path, made_plan())), "--html", str(path)]) == 0
    assert capsys.readouterr().out == f"drawn in {path}\n"
    text = path.read_text("utf-8")
    assert text == page_of(made_plan())
    page = Read(text)
    assert page.open == []
    # nothing is fetched, and nothing runs
    assert {tag for tag, _, _ in page.attributes} & {"script", "link", "img", "iframe"} == set()
    assert {name for _, name, _ in page.attributes} & {"src", "href", "onclick"} == set()
    assert "url(" not in text
    assert "@import" not in text
    for words in (
        "a gull at courier.held",
        "no sequence is cheaper: all that take fewer than 165 frames were looked at",
        "4. whistle",
        "12 frames, 1 input right to the frame",
        "on first-print, handed out: gull 0x80200010",
        "export: derived from first-print",
        ", export alike",
        "--want gull --at courier.held",
    ):
        assert words in page.words, words
    labels = [value for tag, name, value in page.attributes if name == "aria-label"]
    assert labels[1] == "6 blocks: crate, crate, lantern, gull, buoy, free"
    assert len(labels) == 1 + 5
    # it is not replaced, unless that is wanted
    assert main(["plan", "show", str(kept(tmp_path, made_plan())), "--html", str(path)]) == 2
    assert capsys.readouterr().err == f"lowhalf: {path}: is there already; --force replaces it\n"


def test_other_peoples_texts_neither_steer_nor_become_markup() -> None:
    plan = made_plan()
    rude = f'<script>"&amp;{EVIL.encode("utf-8", "ignore").decode()}'
    block = plan.start.builds["export"].blocks[0].model_copy(update={"owner": rude})
    start = plan.start.builds["export"].model_copy(
        update={"blocks": (block, *plan.start.builds["export"].blocks[1:]), "taken_from": rude}
    )
    builds = {**plan.start.builds, "export": start}
    plan = plan.model_copy(
        update={
            "game": rude,
            "title": rude,
            "start": plan.start.model_copy(update={"builds": builds, "states": {rude: 1}}),
        }
    )
    text = page_of(plan)
    assert "<script" not in text
    assert all(letter.isprintable() or letter == "\n" for letter in text)
    page = Read(text)
    assert page.open == []
    assert any(words.startswith('<script>"&amp;Wren') for words in page.words)


@settings(max_examples=25)
@given(plans())
def test_any_plan_can_be_drawn(plan: PlanFile) -> None:
    assert Read(page_of(plan)).open == []
    printed = StringIO()
    with redirect_stdout(printed):
        show_plan(plan)
    assert all(letter.isprintable() or letter == "\n" for letter in printed.getvalue())
    for step in plan.steps:
        assert f". {printable(step.action)}: " in printed.getvalue()


@pytest.mark.needs("chromium", "chromium")
@pytest.mark.asyncio(loop_scope="module")
@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_the_checker_finds_nothing_and_nothing_is_cut_off(
    scheme: str, page: Page, tmp_path: Path
) -> None:
    """axe-core 4, and WCAG 2.2, success criteria 1.4.10 and 2.5.8."""
    path = tmp_path / "plan.html"
    path.write_text(page_of(made_plan()), "utf-8")
    await page.emulate(prefers_color_scheme=scheme)
    await page.open(path.as_uri())
    await page.wait_for("document.readyState", "complete")
    assert [each for each in await violations(page) if each.impact != "minor"] == []
    wide = (
        "[document.documentElement, ...document.querySelectorAll('section, li')]"
        ".filter((e) => e.scrollWidth > e.clientWidth + 1).map((e) => e.id || e.tagName)"
    )
    # the gull that is wanted and the lantern that lies there begin in one place
    apart = (
        "(() => { const x = (s) => document.querySelectorAll(s)[0].getBoundingClientRect().left;"
        "return x('.marks span') - x('.strip[role] span:nth-of-type(3)') })()"
    )
    for size in [(1280, 720), (800, 900), (320, 256)]:
        await page.resize(*size)
        assert await page.evaluate(wide) == [], size
        assert 0 <= await page.evaluate(apart) < 12, size
