"""An attempt that the runner gave up is *given up* in every output (rule: the project's own).

Programs read ``given-up``, as they read ``cut-off``; people read two words.
"""

from __future__ import annotations

import json

from adapters.outputs.mqtt.homie_practice import PracticeTopics, event_payload
from adapters.words.practice import marked_words, outcome_words, practice_words
from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.progress import Practice
from bridge.practice.steps import StepOutcome, StepResult
from bridge.practice.totals import Rate, Score, Totals

TURN = StepResult("turn", StepOutcome.GIVEN_UP, 0, 20, 0.5, 20)
ATTEMPT = Attempt(
    *(3, "print", 140, 1001.5, Outcome.GIVEN_UP, "turn"),
    frames=20,
    seconds=0.5,
    steps=(TURN,),
    frames_seen=18,
)


def test_in_words() -> None:
    assert outcome_words(ATTEMPT) == "given up at turn"
    assert marked_words(ATTEMPT) == "given up at turn, 2 of 20 frames missed"
    practice = Practice(last=ATTEMPT, score=Score(Rate(0, 1)))
    assert "  last given up at turn, 2 of 20 frames missed  " in practice_words(practice)


def test_in_json() -> None:
    told = Practice(last=ATTEMPT).as_json()["last"]
    assert (told["outcome"], told["step"]) == ("given-up", "turn")
    assert TURN.as_json()["outcome"] == "given-up"


def test_on_a_broker() -> None:
    """Homie convention 5: a payload of an enum is one of its format, letter by letter."""
    topics = PracticeTopics(steps=True, attempts=True)
    payload = topics.payloads(Practice(last=ATTEMPT))["outcome"]
    assert payload == b"given-up"
    assert payload.decode() in topics.node()["properties"]["outcome"]["format"].split(",")
    assert json.loads(event_payload(ATTEMPT))["outcome"] == "given-up"


def test_it_counts_as_one_without_success() -> None:
    totals = Totals()
    totals.add(ATTEMPT)
    score = totals.score()
    assert (score.all, score.cut_off, score.steps) == (Rate(0, 1), 0, (("turn", Rate(0, 1)),))
