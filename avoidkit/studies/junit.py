"""The gate's report as JUnit XML, which every CI server reads."""

import re
import xml.etree.ElementTree as tree
from pathlib import Path

from avoidkit.parameters import write_text
from avoidkit.recording import CAUTION

NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def junit_xml(report):
    """The report as XML text: a test case per promise, its recording as the class name.

    Parameters
    ----------
    report : Report
    """
    skipped = sum(promise.skipped for promise in report.promises)
    counts = {"tests": len(report.promises), "failures": len(report.broken), "errors": 0, "skipped": skipped}
    counts = {key: str(value) for key, value in counts.items()} | {"time": f"{report.took_s:.3f}"}
    root = tree.Element("testsuites", {"name": "avoidkit gate", **counts})
    suite = tree.SubElement(root, "testsuite", {"name": "avoidkit gate", **counts})
    properties = tree.SubElement(suite, "properties")
    limits = {f"limit.{key}": str(value) for key, value in report.limits.model_dump().items()}
    told = {"tuning": report.tuning[0], "tuning.hash": report.tuning[1], **limits, "caution": CAUTION}
    for name, value in told.items():
        tree.SubElement(properties, "property", {"name": name, "value": clean(value)})
    took = {one.name: one.took_s for one in report.examined}
    for promise in report.promises:
        _case(suite, promise, took)
    tree.SubElement(suite, "system-out").text = clean("\n".join(report.lines()))
    tree.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + tree.tostring(root, encoding="unicode") + "\n"


def write_junit(report, path):
    """Write the XML whole or not at all."""
    write_text(Path(path), junit_xml(report))


def _case(suite, promise, took):
    seconds = took.pop(promise.recording, 0.0)  # the first promise of a recording carries its time
    names = {"classname": clean(f"gate.{promise.recording}"), "name": clean(promise.name), "time": f"{seconds:.3f}"}
    case = tree.SubElement(suite, "testcase", names)
    if promise.skipped:
        tree.SubElement(case, "skipped", {"message": clean(promise.found)})
    elif not promise.holds:
        told = {"message": clean(f"{promise.name}: {promise.found}"), "type": "promise broken"}
        tree.SubElement(case, "failure", told).text = clean(promise.found)


def clean(text):
    """Text without what XML 1.0 does not allow.

    Examples
    --------
    >>> clean("a\\x00b\\x1bc")
    'abc'
    """
    return NOT_XML.sub("", str(text))
