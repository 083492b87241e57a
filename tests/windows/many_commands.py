"""Runs many commands of lowhalf in one process, since Wine takes long to start each.

Each line of standard input is a JSON list of words; for each a line of JSON says the exit code and
what was written to standard output and standard error.
"""

from __future__ import annotations

import contextlib
import io
import json
import sys

from adapters.commands.main import main

for line in sys.stdin:
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            code: object = main(json.loads(line))
        except SystemExit as fault:
            code = fault.code
    print(json.dumps([code, out.getvalue(), err.getvalue()]), flush=True)
