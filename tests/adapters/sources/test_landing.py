"""When a file in a folder is complete, by its marks alone."""

from __future__ import annotations

from adapters.sources.dumps.landing import Landing, Mark


def names(landing: Landing) -> list[str]:
    found = []
    while (landed := landing.next()) is not None:
        found.append(landed.name)
    return found


def test_a_file_is_given_once_it_has_stood_still_and_then_never_again() -> None:
    landing = Landing(0.5)
    files = {"a": Mark(1, 100, 10)}
    assert landing.look(files, 7.0) == 7.5
    assert names(landing) == []
    assert landing.look(files, 7.4) == 7.5
    assert names(landing) == []
    assert landing.look(files, 7.5) is None
    assert names(landing) == ["a"]
    assert landing.look(files, 9.0) is None
    assert names(landing) == []


def test_each_change_begins_the_wait_anew() -> None:
    landing = Landing(0.5)
    landing.look({"a": Mark(1, 100, 10)}, 0.0)
    assert landing.look({"a": Mark(1, 200, 10)}, 0.4) == 0.9
    assert landing.look({"a": Mark(1, 200, 11)}, 0.8) == 1.3
    assert names(landing) == []
    landing.look({"a": Mark(1, 200, 11)}, 1.3)
    assert names(landing) == ["a"]


def test_files_come_by_time_then_name() -> None:
    landing = Landing(0.0)
    files = {"b": Mark(1, 1, 20), "a": Mark(2, 1, 20), "c": Mark(3, 1, 10)}
    landing.look(files, 0.0)
    assert names(landing) == ["c", "a", "b"]


def test_a_file_that_is_written_anew_is_new_and_one_that_is_renamed_is_not() -> None:
    landing = Landing(0.0)
    landing.look({"a": Mark(1, 1, 10)}, 0.0)
    assert names(landing) == ["a"]
    landing.look({"b": Mark(1, 1, 10)}, 1.0)
    assert names(landing) == []
    landing.look({"b": Mark(1, 1, 11)}, 2.0)
    assert names(landing) == ["b"]
    # another file renamed over it has the same name, size and time
    landing.look({"b": Mark(2, 1, 11)}, 3.0)
    assert names(landing) == ["b"]


def test_known_files_are_not_given_and_failed_ones_are_given_again() -> None:
    landing = Landing(0.5)
    files = {"a": Mark(1, 1, 10), "b": Mark(2, 1, 10)}
    landing.know(files)
    assert landing.look(files, 0.0) is None
    landing.again("b")
    assert landing.look(files, 1.0) == 1.5
    landing.look(files, 1.5)
    assert names(landing) == ["b"]


def test_a_file_that_goes_before_it_settles_is_forgotten() -> None:
    landing = Landing(0.5)
    landing.look({"a": Mark(1, 1, 10)}, 0.0)
    assert landing.look({}, 0.3) is None
    landing.look({"a": Mark(1, 1, 10)}, 0.6)
    assert names(landing) == []
