"""Builds ``adapters/planning/engine.wasm``, the planner's core: ``python -m tests.build_engine``.

The compiler is the clang of the package ``ziglang``, in the one version that ``pyproject.toml``
names: the same bytes come out on every machine, whatever compilers that has.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from adapters.planning.compiled_engine import CORE

SOURCE = CORE.with_suffix(".c")
COMPILE = "clang --target=wasm32 -mcpu=generic -std=c11 -O2 -ffreestanding -nostdlib"
WARNINGS = "-Wall -Wextra -Wconversion -Wshadow -Werror"
LINK = "wasm-ld --no-entry --strip-all -z stack-size=16384"


def built() -> bytes:
    """The core, built anew."""
    with tempfile.TemporaryDirectory() as folder:
        words = [*COMPILE.split(), *WARNINGS.split(), "-c", SOURCE.name, "-o", f"{folder}/core.o"]
        run(words, SOURCE.parent)
        run([*LINK.split(), "-o", "core.wasm", "core.o"], Path(folder))
        return Path(folder, "core.wasm").read_bytes()


def run(words: list[str], folder: Path) -> None:
    subprocess.run([sys.executable, "-m", "ziglang", *words], cwd=folder, check=True)


if __name__ == "__main__":
    CORE.write_bytes(built())
    print(f"{CORE}: {CORE.stat().st_size:,} bytes")
