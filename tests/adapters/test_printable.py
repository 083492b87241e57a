"""The one rule for other people's text, against Unicode's own tables and Python's readers."""

from __future__ import annotations

import csv
import io
import json
import math
import re
import subprocess
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.printable import (
    json_text,
    printable,
    printable_lines,
    printable_message,
    spreadsheet_cell,
)
from schemas.errors import ExpressionError
from tests.evil_texts import EVIL, LONE, STEERING, assert_harmless, steering

ANY = st.text(st.characters(codec=None))


@pytest.mark.parametrize("text", STEERING.values(), ids=STEERING)
def test_each_kind_is_shown_as_an_escape(text: str) -> None:
    assert steering(text) != []
    assert_harmless(printable(text))
    assert printable(text).count("\\") == len(steering(text)) + text.count("\n")


def test_the_escapes() -> None:
    assert printable("a\x1b\x9b\x00\r\n\x7fb") == r"a\x1b\x9b\x00\x0d\x0a\x7fb"
    assert printable("\u202e\u2066\u200b\ufeff\u2028") == r"\u202e\u2066\u200b\ufeff\u2028"
    assert printable("\udc80\ud800") == r"\udc80\ud800"
    assert printable("\u3164\u115f\U000e0041") == r"\u3164\u115f\U000e0041"


def test_letters_of_all_scripts_and_pictures_stay() -> None:
    for text in (
        "Überfahrt 灯台",
        "منارة",
        "мая\u0306к",
        "⚓\ufe0f oil",
        "1\ufe0f\u20e3",
        "🏮",
        "50 %",
    ):
        assert printable(text) == text


def test_a_selector_stays_behind_a_picture_alone() -> None:
    """Unicode's emoji-variation-sequences.txt: one selector, behind a sign."""
    assert printable("⚓\ufe0f\ufe0f") == "⚓\ufe0f\\ufe0f"
    assert printable("a\ufe0f \ufe0f") == r"a\ufe0f \ufe0f"
    assert printable("\ufe0f") == r"\ufe0f"


@pytest.mark.needs("perl", "perl")
def test_no_letter_without_a_shape_passes() -> None:
    """Outside source: perl's own copy of Unicode's Default_Ignorable_Code_Point and categories."""
    script = (
        "for my $i (0..0x10FFFF) { next if $i >= 0xD800 && $i <= 0xDFFF; "
        r'print "$i\n" if chr($i) =~ /[\p{Default_Ignorable_Code_Point}\p{Cc}\p{Cf}\p{Zl}\p{Zp}]/ }'
    )
    told = subprocess.run(["perl", "-e", script], capture_output=True, text=True, check=True)
    hidden = [chr(int(line)) for line in told.stdout.split()]
    assert len(hidden) > 4000
    assert [f"U+{ord(letter):04X}" for letter in hidden if printable(letter) == letter] == []


@given(ANY)
def test_any_text_becomes_one_harmless_line(text: str) -> None:
    shown = printable(text)
    assert "\n" not in shown
    shown.encode()
    assert steering(shown.replace("\ufe0f", "").replace("\ufe0e", "")) == []
    assert printable(shown) == shown


@given(st.lists(ANY))
def test_lines_of_ours_stay_lines(texts: list[str]) -> None:
    lines = [printable(text) for text in texts]
    assert printable_lines("\n".join(lines)) == "\n".join(lines)
    assert printable_lines("a\x1b\nb\r\n") == "a\\x1b\nb\\x0d\n"


def test_of_an_error_the_lines_about_its_expression_stay_and_no_others() -> None:
    fault = ExpressionError("unknown name", expression="hp + lamp", column=5, watch="oil")
    assert printable_message(str(fault)) == str(fault)
    assert str(fault).count("\n") == 2
    forged = ExpressionError(f"unknown name {EVIL}", expression="hp + lamp", column=5, watch="oil")
    assert_harmless(printable_message(str(forged)))
    assert printable_message(str(forged)).endswith("\n    hp + lamp\n         ^")
    assert printable_message("cannot be read: a\nlowhalf: b") == r"cannot be read: a\x0alowhalf: b"


@given(st.recursive(ANY, lambda inner: st.lists(inner) | st.dictionaries(ANY, inner)))
def test_json_says_exactly_the_same_and_steers_nothing(value: object) -> None:
    text = json_text(value)
    assert json.loads(text) == value
    assert "\n" not in text
    text.encode()
    assert steering(text) == []


def test_letters_stay_readable_in_json() -> None:
    assert json_text({"name": "Möwe 灯台 🏮"}, separators=(",", ":")) == '{"name":"Möwe 灯台 🏮"}'
    assert json_text("\U000e0041\x9b\u202e") == r'"\udb40\udc41\u009b\u202e"'


# https://owasp.org/www-community/attacks/CSV_Injection lists = + - @, TAB, CR and line feed, and
# has a ' put in front
@pytest.mark.parametrize(
    ("text", "cell"),
    [
        ("=1+1", "'=1+1"),
        ("+1", "'+1"),
        ("-1", "'-1"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\t=1", r"\x09=1"),
        ("\r=1", r"\x0d=1"),
        ("\n=1", r"\x0a=1"),
        ("\x00=1", r"\x00=1"),
        ("＝1", "'＝1"),
        (" =1", "' =1"),
        ('"=1"', '\'"=1"'),
        ("a;=1;b,@x", "a;'=1;b,'@x"),
        ('a;"=1"', 'a;\'"=1"'),
        ("Wren - 3 = up", "Wren - 3 = up"),
        ("0x2B6D", "0x2B6D"),
        ("", ""),
    ],
)
def test_a_text_stays_a_text_in_a_spreadsheet(text: str, cell: str) -> None:
    assert spreadsheet_cell(text) == cell


@pytest.mark.parametrize("number", [-5, -0.25, 1 << 80, 0, True, None])
def test_numbers_stay_numbers(number: object) -> None:
    assert spreadsheet_cell(number) is number


def test_what_is_no_number_is_a_text() -> None:
    assert spreadsheet_cell(-math.inf) == "'-inf"


@given(st.lists(ANY, min_size=1), st.sampled_from(",;\t"))
def test_no_cell_begins_as_a_formula_whatever_divides_them(texts: list[str], divider: str) -> None:
    """Python's own reader of CSV, with each divider that spreadsheets take, and with none."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow([spreadsheet_cell(text) for text in texts])
    written = out.getvalue()
    if divider == ",":
        assert next(csv.reader([written])) == [spreadsheet_cell(text) for text in texts]
    for row in (next(csv.reader([written], delimiter=divider)), written.split(divider)):
        for cell in row:
            assert re.match(r'[\s"]*[=+\-@]|[\t\r]', cell) is None


def test_lone_surrogates_are_known_by_their_category() -> None:
    assert {unicodedata.category(letter) for letter in LONE} == {"Cs"}
    assert len(steering(EVIL + LONE)) >= 40
