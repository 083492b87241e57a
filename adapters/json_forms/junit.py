"""Verdicts as a report in the form of JUnit, which CI systems show.

There is no standard of it; the elements and attributes here are those that pytest writes and that
readers agree on: ``testsuites``, ``testsuite``, ``testcase``, ``failure`` and ``error``.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree

from adapters.printable import printable
from bridge.verifying.expectation import Verdict

__all__ = ["Suite", "junit_text"]


@dataclass(frozen=True, slots=True)
class Suite:
    """A file of expectations: its verdicts, and what is wrong with it."""

    name: str
    verdicts: Sequence[Verdict]
    wrong: Sequence[str] = ()


def junit_text(suites: Iterable[Suite]) -> str:
    """The report; a suite a file, a case an expectation."""
    root = ElementTree.Element("testsuites", name="lowhalf verify")
    for suite in suites:
        failed = sum(not verdict.passed for verdict in suite.verdicts)
        element = ElementTree.SubElement(
            root,
            "testsuite",
            name=printable(suite.name),
            tests=str(len(suite.verdicts) + len(suite.wrong)),
            failures=str(failed),
            errors=str(len(suite.wrong)),
            skipped="0",
        )
        for verdict in suite.verdicts:
            case = _case(element, suite, " ".join(verdict.path), verdict.line)
            if not verdict.passed:
                words = printable(f"expected {verdict.expected}, found {verdict.found}")
                where = printable(f"{suite.name}:{verdict.line}: {words}")
                ElementTree.SubElement(case, "failure", message=words).text = where
        for wrong in suite.wrong:
            case = _case(element, suite, "the file itself", 0)
            ElementTree.SubElement(case, "error", message=printable(wrong)).text = printable(wrong)
    ElementTree.indent(root)
    declaration = '<?xml version="1.0" encoding="utf-8"?>\n'
    return declaration + ElementTree.tostring(root, encoding="unicode") + "\n"


def _case(suite: ElementTree.Element, named: Suite, name: str, line: int) -> ElementTree.Element:
    return ElementTree.SubElement(
        suite,
        "testcase",
        classname=printable(named.name),
        name=printable(name),
        file=printable(named.name),
        line=str(line),
        time="0",
    )
