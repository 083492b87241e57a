"""The rig for the tests of Windows."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.windows import rig
from tests.windows.wine import Wine


@pytest.fixture(scope="session")
def wine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Wine]:
    """Wine with a CPython, made once."""
    folder = rig.usual_folder()
    with rig.ready(folder):
        yield Wine(folder, tmp_path_factory.mktemp("windows"))
