"""Lines of keys: what stands beside a key on its line changes nothing."""

from __future__ import annotations

from schemas.toml_lines import line_of, lines_of


def test_a_comment_behind_a_value_hides_nothing_in_it() -> None:
    text = "[[moments]]\nexpect = [\n  { a = 1 },\n  { b = 2 },\n]  # both\n"
    lines = lines_of(text)
    assert lines["moments", 0, "expect", 0] == 3
    assert lines["moments", 0, "expect", 1] == 4
    assert line_of(text, ("moments", 0, "expect", 1, "b")) == 4
