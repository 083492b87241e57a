"""``lowhalf learn`` and ``learn next`` on recordings of the demo game, with several allocators.

Source of every expected value: the game's own C code (tests/guest/heap.c and those of
tests/guest/played/allocators), whose rules stand in tests/guest/played/planned.py.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from pathlib import Path

import pytest

from adapters.commands.main import main
from adapters.recordings.reader import open_recording
from adapters.recordings.recorder import Recorder
from bridge.memory.address_map import Span
from bridge.planning.actions import Alloc
from tests.guest.played.guest import ACTIONS, PlayedGuest, played_schema
from tests.guest.played.planned import ALLOCATORS as OTHERS
from tests.guest.played.planned import OWN, actions, task_of
from tests.guest.played.wanted import walked

pytestmark = [
    pytest.mark.full,
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm"),
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
]

BUILD = "first-print"
IN_ORDER = [None, "best_fit", "next_fit", "recent_order", "joined_when_full", "from_the_end"]


@pytest.mark.parametrize("allocator", IN_ORDER)
def test_experiments_are_done_until_nothing_is_left_to_ask(
    allocator: str | None,
    tmp_path: Path,
    played_elf: Callable[[str, str | None], Path],
    capsys: pytest.CaptureFixture[str],
) -> None:
    schema = played_schema(tmp_path / "played.schema.toml", allocator)
    recording = tmp_path / "played.mcap"
    labels = "".join(
        f'{name} = "change(played_begun) > 0 and played_action == {number}"\n'
        for number, name in enumerate(ACTIONS, 1)
    )
    bridge = tmp_path / "learn.bridge.toml"
    with PlayedGuest(played_elf(BUILD, allocator), tmp_path, schema=schema) as guest:
        guest.begin()
        chance = random.Random(f"learn {allocator}")
        walk = walked(task_of(guest, allocator), chance, 60, seldom=2)
        done = [action.name for action, _ in walk]
        models = []
        for _ in range(16):
            recording.unlink(missing_ok=True)
            guest.record(recording, done)
            made = recording.with_suffix(".bridge.toml").read_text("utf-8")
            bridge.write_text(f"{made}\n[learn]\n{labels}", "utf-8")
            words = [str(bridge), "--recording", str(recording), "--json"]
            assert main(["learn", *words]) == 0
            learned = json.loads(capsys.readouterr().out)
            models.append(len(learned["models"]))
            assert true_is_left(allocator, learned)
            code = main(["learn", "next", *words, "--actions", "3"])
            following = json.loads(capsys.readouterr().out)
            if not following["actions"] or following["may_fail"]:
                break  # the guest refuses what it cannot do
            assert code == 0
            done += following["actions"]
        assert guest.read_symbol_u32("fault") == 0
    assert following["may_fail"]
    print(allocator, models, following["actions"])
    assert models[-1] <= models[0]
    assert learned["disagreements"] == []


def true_is_left(allocator: str | None, learned: dict) -> bool:  # type: ignore[type-arg]
    policy = OTHERS[allocator] if allocator else OWN
    true = {
        "fit": str(policy.fit),
        "order": str(policy.order),
        "tried_from": str(policy.tried_from),
        "carved_from": str(policy.carved_from),
        "merge": str(policy.merge),
        "keeps_last": policy.keeps_last,
    }
    known = actions(allocator)
    for action in learned["actions"]:
        if action["why"]:
            continue
        came = [
            e.kind
            for e in known[action["action"]].effects
            if isinstance(e, Alloc)
            for _ in range(e.count)
        ]
        ways = [
            [e["alloc"] for e in way if "alloc" in e for _ in range(e.get("count", 1))]
            for way in action["effects"]
        ]
        assert came in ways, action["action"]
    return any(true.items() <= model.items() for model in learned["models"])


def test_keys_that_were_pressed_late_or_early_teach_the_same(
    tmp_path: Path,
    played_elf: Callable[[str, str | None], Path],
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Marks up to 20 frames behind and 8 before what was done, against the game's own labels."""
    schema = played_schema(tmp_path / "played.schema.toml", None)
    played, marked = tmp_path / "played.mcap", tmp_path / "marked.mcap"
    with PlayedGuest(played_elf(BUILD, None), tmp_path, schema=schema) as guest:
        guest.begin()
        chance = random.Random("keys")
        walk = walked(task_of(guest, None), chance, 40, seldom=2)
        done = [action.name for action, _ in walk]
        frames = guest.record(played, done, rest=64)
    names: dict[int, str] = {}
    for name, number in zip(done, frames, strict=True):
        names[number + chance.randint(-8, 20)] = name
    pressed = set(names)
    recording = open_recording(played)
    with Recorder(marked, recording.about, marks=True) as recorder:
        for group in range(len(recording.groups)):
            for at, frame in enumerate(recording.frames(group)):
                parts = frame.parts
                if not group and not at:  # its own memory is the key image
                    memory = recording.memory_before(0)
                    memory.apply(frame)
                    regions = recording.about.regions
                    parts = [p for r in regions for p in memory.known(Span(r.start, r.size))]
                recorder.frame(frame.number, frame.time / 1e9, frame.consistency, parts)
                if frame.number in names:
                    recorder.mark(frame.number, names.pop(frame.number))
    assert len(pressed) == len(done)
    assert len(names) <= 1  # the last may be behind the end
    bridge = tmp_path / "learn.bridge.toml"
    made = played.with_suffix(".bridge.toml").read_text("utf-8")
    labels = "".join(
        f'{name} = "change(played_begun) > 0 and played_action == {number}"\n'
        for number, name in enumerate(ACTIONS, 1)
    )
    told = []
    for text, file in ((f"{made}\n[learn]\n{labels}", played), (made, marked)):
        bridge.write_text(text, "utf-8")
        assert main(["learn", str(bridge), "--recording", str(file), "--json"]) == 0
        output = capsys.readouterr()
        told.append(json.loads(output.out))
    by_game, by_keys = ({a["action"]: a for a in each["actions"]} for each in told)
    changing = {name for name, a in by_game.items() if a["done"] > a["without"]}
    assert len(changing) >= 6
    assert set(by_keys) == changing
    for name in changing:
        assert by_keys[name]["effects"] == by_game[name]["effects"], name
    still = sum(each["without"] for each in by_game.values())
    assert output.err.count("has no change of the heap without a label within") == still
    assert told[1]["models"] == told[0]["models"]
