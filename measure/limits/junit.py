"""Pass and fail in the XML that test servers read."""

import re
from collections.abc import Sequence
from typing import NamedTuple
from xml.etree import ElementTree

__all__ = ["Case", "junit_xml"]

_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


class Case(NamedTuple):
    """One test case: where it belongs, its name, and why it failed; empty where it passed."""

    group: str
    name: str
    failure: str


def junit_xml(title: str, cases: Sequence[Case]) -> str:
    """Test cases as one suite of JUnit XML.

    Parameters
    ----------
    title : str
        Name of the suite.
    cases : sequence of Case
        In order.

    Notes
    -----
    The elements are those that all readers of the format share (common practice, there is no standard).
    Characters that XML cannot hold become question marks.
    """
    failures = sum(bool(case.failure) for case in cases)
    counts = {"tests": str(len(cases)), "failures": str(failures), "errors": "0", "skipped": "0"}
    suites = ElementTree.Element("testsuites", counts)
    suite = ElementTree.SubElement(suites, "testsuite", {"name": _clean(title), **counts})
    for case in cases:
        entry = ElementTree.SubElement(
            suite, "testcase", {"classname": _clean(case.group), "name": _clean(case.name)}
        )
        if case.failure:
            failure = ElementTree.SubElement(entry, "failure", {"message": _clean(case.failure), "type": "limit"})
            failure.text = _clean(case.failure)
    ElementTree.indent(suites)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{ElementTree.tostring(suites, encoding="unicode")}\n'


def _clean(text: str) -> str:
    return _NOT_XML.sub("?", text)
