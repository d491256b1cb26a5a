from __future__ import annotations

import json

import pytest
from hostile import MARKUP, TEXTS, poison
from page_reader import read_page

from burnin.report.junit import build_junit
from burnin.report.readings_csv import readings_csv
from burnin.report.render import render_certificate
from burnin.report.result import build_result
from burnin.report.text import plain_summary


@pytest.mark.parametrize("name", TEXTS)
@pytest.mark.parametrize("run", ["rejected", "bare", "waived"])
def test_hostile_text_everywhere_stays_text(run, name, request):
    clean = read_page(render_certificate(*request.getfixturevalue(run)))
    page = read_page(render_certificate(*poison(request.getfixturevalue(run), TEXTS[name])))
    assert {node.tag for node in page.everything()} <= {node.tag for node in clean.everything()} | {
        "wbr",
        "img",
    }
    assert all(node.attrs["src"].startswith("data:image/svg+xml;base64,") for node in page.find("img"))
    assert [node.attrs.get("id") for node in page.find("script")] == ["run-result", "run-seal", None]
    assert len(page.find("style")) == 1
    allowed = {key for node in clean.everything() for key in node.attrs} | {"class", "colspan", "alt", "src"}
    assert {key for node in page.everything() for key in node.attrs} <= allowed
    assert [node.text for node in page.find("script")] == [node.text for node in clean.find("script")]
    policies = [node.attrs["content"] for node in page.find("meta") if "http-equiv" in node.attrs]
    assert len(policies) == 1


def test_markup_is_shown_as_it_was_written(rejected):
    page = read_page(render_certificate(*poison(rejected, MARKUP)))
    assert page.find("p", class_="workshop")[0].text == MARKUP
    assert MARKUP in page.find("section", class_="verdict")[0].text


def test_direction_and_control_characters_are_made_visible(rejected):
    text = render_certificate(*poison(rejected, TEXTS["turned"])).decode()
    assert not set(text) & set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f\u061c")
    assert "[U+202E]drow[U+202C]" in text
    controlled = render_certificate(*poison(rejected, TEXTS["control"])).decode()
    assert not {char for char in controlled if ord(char) < 32 or 0x7F <= ord(char) < 0xA0} - {"\n"}


def test_text_from_the_machine_is_isolated(rejected):
    page = read_page(render_certificate(*poison(rejected, TEXTS["hebrew"])))
    for node in page.everything():
        own = "".join(child for child in node.children if isinstance(child, str))
        if "\u05e9" in own and node.tag not in {"text", "title", "desc"}:
            assert node.tag == "bdi", node.tag


@pytest.mark.parametrize("name", TEXTS)
def test_other_forms_stand_hostile_text_too(name, rejected):
    run = poison(rejected, TEXTS[name])
    assert json.loads(build_result(*run))["faults"]["count"] == 2
    assert build_junit(*run).startswith(b"<?xml")
    assert b"".join(readings_csv(run[0]))
    for line in plain_summary(*run):
        assert "\x1b" not in line
        assert "\n" not in line
