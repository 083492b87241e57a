"""pytest on the rig's CPython for Windows, under Wine.

    python -m tests.windows.suite [pytest's arguments]

What it prints comes as it comes, and its exit code is given on; `-n 2` runs two processes.  Tests
that are marked `posix` or `wine` are skipped with their reasons.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Sequence

from tests.windows import rig


def run(arguments: Sequence[str]) -> int:
    """pytest's exit code there."""
    folder = rig.usual_folder().absolute()
    python = rig.windows_path(folder / "python" / "python.exe")
    with (
        rig.ready(folder),
        subprocess.Popen(
            # what is not needed: folders of a cache that would be shared with this machine's pytest
            ["wine", python, "-m", "pytest", "-p", "no:cacheprovider", *arguments],
            # CPython there takes pipes only
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            cwd=rig.ROOT,
            env={**rig.environment(folder), "PYTHONIOENCODING": "utf-8"},
        ) as pytest,
    ):
        assert pytest.stdin is not None
        assert pytest.stdout is not None
        pytest.stdin.close()
        while some := pytest.stdout.read1():  # type: ignore[attr-defined]
            sys.stdout.buffer.write(some.replace(b"\r\n", b"\n"))
            sys.stdout.buffer.flush()
        return pytest.wait()


if __name__ == "__main__":
    raise SystemExit(run(sys.argv[1:]))
