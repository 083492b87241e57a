"""The log on standard error: a source's words must not steer the terminal."""

from __future__ import annotations

import logging

import pytest

from adapters.commands.log_lines import log_to


def test_a_line_on_standard_error_cannot_steer_the_terminal(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """ECMA-48: ESC and CSI begin what a terminal obeys; U+202E turns the direction of a line."""
    with log_to([]):
        logging.getLogger("lowhalf").warning("%s: is gone", "a\x1b[2J\x9b31m\n\u202eb")
    assert capsys.readouterr().err == "lowhalf: a\\x1b[2J\\x9b31m\\x0a\\u202eb: is gone\n"


def test_nothing_is_logged_once_the_daemon_has_ended(capsys: pytest.CaptureFixture[str]) -> None:
    with log_to([]):
        pass
    logging.getLogger("lowhalf").info("too late")
    assert capsys.readouterr().err == ""
