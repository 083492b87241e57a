"""Everything loads where the POSIX-only parts of Python are missing, as on Windows.

Which modules and names those are: "Availability" in the Python standard library's documentation.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent
PACKAGES = ("schemas", "bridge", "adapters")

HIDING = """
import importlib, os, pkgutil, signal, socket, sys
# third-party packages and the standard library hide what they need by themselves
import aiohttp.web, aiomqtt, asyncio, construct, mcap.reader, mcap.writer, pydantic, rich.live
import numpy, subprocess, tempfile
import tree_sitter_toml, zstandard, zipfile, lzma, gzip, multiprocessing
for name in ("fcntl", "grp", "posix", "pty", "pwd", "readline", "resource", "spwd", "syslog",
             "termios", "tty"):
    sys.modules[name] = None
for name in ("fork", "geteuid", "getuid", "kill", "killpg", "mkfifo", "openpty", "pread", "preadv",
             "setsid", "uname", "wait3", "waitpid", "O_CLOEXEC", "O_NOCTTY", "O_NONBLOCK"):
    if hasattr(os, name):
        delattr(os, name)
for name in ("SIGKILL", "SIGUSR1", "SIGUSR2", "SIGSTOP", "SIGCONT", "SIGHUP", "SIGPIPE", "SIGALRM",
             "SIGQUIT", "SIGWINCH"):
    if hasattr(signal, name):
        delattr(signal, name)
for name in ("AF_UNIX", "SO_REUSEPORT"):
    if hasattr(socket, name):
        delattr(socket, name)
loaded = 0
for package in ("schemas", "bridge", "adapters"):
    root = importlib.import_module(package)
    for module in pkgutil.walk_packages(root.__path__, package + "."):
        importlib.import_module(module.name)
        loaded += 1
print(loaded)
"""


def test_every_module_loads_without_posix() -> None:
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", HIDING],
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    files = [file for name in PACKAGES for file in (ROOT / name).rglob("*.py")]
    assert int(done.stdout) == len(files) - len(PACKAGES)
