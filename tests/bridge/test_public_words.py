"""Texts for those who are not at this machine: no folder of it is in them."""

from __future__ import annotations

import pytest

from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.progress import Practice
from bridge.readings.frame import Frame
from bridge.readings.public_words import public_frame, public_text
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status
from bridge.values.value_type import INTEGER


@pytest.mark.parametrize(
    ("text", "paths", "expected"),
    [
        ("", [], ""),
        ("the pier is gone", [], "the pier is gone"),
        # a path that is known may hold anything
        (
            "file tide.bin: /home/mirren tarn/tide.bin is not there: is the path relative to the "
            "bridge file?",
            ["/home/mirren tarn/tide.bin"],
            "file tide.bin is not there",
        ),
        (
            "folder dumps: /home/mirren tarn/dumps/noon.bin is cut off",
            ["/home/mirren tarn/dumps"],
            "folder dumps: dumps/noon.bin is cut off",
        ),
        ("in /home/mirren/other/x", ["/home/mirren tarn/dumps"], "in x"),
        ("../mirren/tide.bin may not be read", ["../mirren/tide.bin"], "tide.bin may not be read"),
        (
            "serial /dev/ttyACM0: /dev/ttyACM0 was unplugged",
            ["/dev/ttyACM0"],
            "serial ttyACM0 was unplugged",
        ),
        (
            r"file d.bin: C:\Users\Mirren Tarn\d.bin cannot be read (busy)",
            [r"C:\Users\Mirren Tarn\d.bin"],
            "file d.bin cannot be read (busy)",
        ),
        # one that is not known is found by its form
        (
            "[Errno 2] No such file or directory: '/home/mirren tarn/ram'",
            [],
            "[Errno 2] No such file or directory: 'ram'",
        ),
        ("0x7F00 (export, in /home/mirren/emulator)", [], "0x7F00 (export, in emulator)"),
        ("see ~/secret, ~mirren/x or ./a/b.", [], "see secret, x or b."),
        (r"\\harbour\mirren\x.bin is gone", [], "x.bin is gone"),
        ("D:/mirren/x.bin is gone", [], "x.bin is gone"),
        # these are no paths
        ("http://127.0.0.1:7365/a/b and 3 / 4, and/or", [], None),
        ("courier.held / 2: division by zero", [], None),
        ("<b>bold</b>", [], None),
        # what is asked is asked of the person at the machine
        (
            "debugger 127.0.0.1:1234: nothing answers there (no answer): is the emulator running, "
            "with its stub on?",
            [],
            "debugger 127.0.0.1:1234: nothing answers there (no answer)",
        ),
    ],
)
def test_a_path_is_told_by_its_name(text: str, paths: list[str], expected: str | None) -> None:
    assert public_text(text, paths) == (text if expected is None else expected)


def test_every_text_of_a_frame_is_public() -> None:
    path = "/home/mirren tarn/tide.bin"
    last = Attempt(3, "export", 1, 1.0, Outcome.CUT_OFF, "", reason=f"{path} was lost")
    watch = Watch("oil", "", "courier.oil", INTEGER)
    made = Frame(
        *(1, 1.0, "export", f"file {path}", "still"),
        make_readings=lambda: [Reading(watch, Status.OK, 1)],
        note=f"{path} is gone",
        practice=Practice(reason=f"done: {path} is gone", last=last),
        paths=(path,),
    ).offline(f"{path} is gone", 5.0)
    shown = public_frame(made)
    assert "mirren" not in repr(shown)
    assert (shown.source, shown.note) == ("file tide.bin", "tide.bin is gone")
    assert [reading.reason for reading in shown.readings] == ["tide.bin is gone"]
    assert shown.readings[0].value == 1
    assert shown.practice is not None
    assert shown.practice.reason == "done: tide.bin is gone"
    assert shown.practice.last is not None
    assert shown.practice.last.reason == "tide.bin was lost"
    # the frame itself has all of it, for the log and the desk
    assert made.note == f"{path} is gone"
