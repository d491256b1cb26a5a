from __future__ import annotations

from xml.etree import ElementTree as ET

import msgspec

from burnin.report.junit import build_junit


def test_one_case_for_each_finding_with_failures_and_open_answers(rejected, bare):
    view, findings, verdict = rejected
    suite = ET.fromstring(build_junit(view, findings, verdict)).find("testsuite")
    assert (suite.get("tests"), suite.get("failures"), suite.get("skipped")) == (str(len(findings)), "1", "1")
    assert len(suite.findall("testcase")) == len(findings)
    assert suite.find("testcase/failure").get("type") == "memory_word"
    values = {item.get("name"): item.get("value") for item in suite.findall("properties/property")}
    assert (values["verdict"], values["serial"], values["exit code"]) == ("rejected", "LH-000417", "1")
    assert suite.get("timestamp") == "2026-05-28T22:26:40+02:00"
    other = ET.fromstring(build_junit(*bare)).find("testsuite")
    assert len(other.findall("testcase/skipped")) == 2


def test_control_characters_leave_the_xml_readable(bare):
    view, findings, verdict = bare
    bad = msgspec.structs.replace(
        findings[0], outcome="fail", subject="\x00\x1b]<&\ud800", values={"x": "\x07"}
    )
    suite = ET.fromstring(build_junit(view, (bad,), verdict)).find("testsuite")
    assert "<&" in suite.find("testcase").get("name")
