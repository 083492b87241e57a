"""Answers the questions of ``lowhalf by-hand --json`` from a dump, in a person's stead.

It knows nothing of lowhalf: it reads the JSON lines, looks the bytes up in the dump by the address
that is asked for, and types them in one of the forms that the question allows, made by Python's
``struct`` and ``repr``.  What it doubts nothing of, it confirms.  The last line that it read is
printed at the end.

    python answer_by_hand.py DUMP BASE SEED COMMAND …
"""

import gzip
import json
import math
import random
import struct
import subprocess
import sys
from pathlib import Path
from typing import Any


def main(dump: str, base: str, seed: str, command: list[str]) -> None:
    memory = gzip.decompress(Path(dump).read_bytes())
    start = int(base, 0)
    dice = random.Random(int(seed))
    asked: set[int] = set()
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, encoding="utf-8"
    ) as child:
        assert child.stdin is not None
        assert child.stdout is not None
        line = json.loads(child.stdout.readline())
        while line["question"] is not None:
            question = line["question"]
            answer = json.dumps({"confirm": True})
            if line["doubt"] is None:
                place = range(question["address"], question["address"] + question["size"])
                if not asked.isdisjoint(place):
                    sys.exit(f"asked twice for 0x{place.start:08X}")
                asked.update(place)
                check_sum(question)
                data = memory[place.start - start : place.stop - start]
                answer = typed(question, data, dice)
            child.stdin.write(f"{answer}\n")
            child.stdin.flush()
            line = json.loads(child.stdout.readline())
            if line["outcome"] == "refused":
                sys.exit(f"refused {answer!r} for {question}: {line['said']}")
        child.stdin.close()
        rest = child.stdout.read()
    if rest:
        sys.exit(f"more than was asked for: {rest}")
    print(json.dumps(line))


def check_sum(question: dict[str, Any]) -> None:
    """A sum is Python's own, digit by digit, and ends at the address that is asked for."""
    total = question["sum"]
    if total is None:
        return
    value = int(total["steps"][0]["before"], 16)
    for step in total["steps"]:
        assert int(step["before"], 16) == value, total
        value += int(step["operand"], 16)
        assert step["sign"] == "+", total
        assert step["after"] == f"{value:0{len(step['after'])}X}", total
    assert value & 0x1FFFFFFF == question["address"] & 0x1FFFFFFF, question


def typed(question: dict[str, Any], data: bytes, dice: random.Random) -> str:
    number = int.from_bytes(data, "big")
    forms = [data.hex(" "), data.hex().upper()]
    if "decimal" in question["answers"]:
        forms += [f"+{number}", f"0x{number:x}"]
    if "float" in question["answers"] and question["fields"][0]["words"].endswith("f32"):
        value = struct.unpack(">f", data)[0]
        forms += [repr(value)] if math.isfinite(value) else []
    return dice.choice(forms)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], sys.argv[3], sys.argv[4:])
