from __future__ import annotations

import itertools
import json
from dataclasses import replace

import msgspec
import pytest
from page_reader import read_page

from burnin.report.junit import build_junit
from burnin.report.readings_csv import readings_csv
from burnin.report.render import render_certificate
from burnin.report.result import build_result
from burnin.report.text import plain_summary

MARKUP = "</title></style></script><script>alert(1)</script><img src=x onerror=alert(1)>\"'&{{7*7}}{% raw %}"
TEXTS = {
    "markup": MARKUP,
    "turned": "\u202edrow\u202c \u2067abc \u200f\u061c",
    "long": "w" * 500,
    "emoji": "\U0001f469\u200d\U0001f469\u200d\U0001f467 \U0001f600",
    "hebrew": "\u05e9\u05dc\u05d5\u05dd 12 (\u05d0)",
    "control": "a\x00b\x1b[31mc\x07\r\n\td\x9b1m",
    "css": '"; } body { display: none } @import "//x"; \\',
    "format": "{0.__class__} {subject!r:>9999999} %s %n",
    "empty": "",
}
FIXED = {"criterion", "outcome", "how", "boot_id", "quality", "stage", "load_id"}


def poisoned(value, text, count):
    """Return the record with ``text`` in every field that can hold any text; ids stay unique."""
    if isinstance(value, msgspec.Struct):
        changes = {}
        for field in msgspec.structs.fields(value):
            old = getattr(value, field.name)
            if isinstance(old, str) and field.type in (str, str | None) and field.name not in FIXED:
                unique = field.name in {"id", "load_id", "line", "channel"}
                changes[field.name] = f"{text}{next(count)}" if unique else text
            elif isinstance(old, msgspec.Struct | tuple | dict):
                changes[field.name] = poisoned(old, text, count)
        return msgspec.structs.replace(value, **changes)
    if isinstance(value, tuple):
        return tuple(text if isinstance(item, str) else poisoned(item, text, count) for item in value)
    if isinstance(value, dict):
        return {f"{text}{key}": text if isinstance(item, str) else item for key, item in value.items()}
    return value


def poison(run, text):
    view, findings, verdict = run
    count = itertools.count()
    entries = tuple(replace(entry, event=poisoned(entry.event, text, count)) for entry in view.entries)
    opened = poisoned(view.opened, text, count)
    integrity = poisoned(view.integrity, text, count)
    return (
        replace(view, entries=entries, opened=opened, integrity=integrity),
        poisoned(findings, text, count),
        poisoned(verdict, text, count),
    )


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
    assert len(page.find("script")) == len(page.find("style")) == 1
    allowed = {key for node in clean.everything() for key in node.attrs} | {"class", "colspan", "alt", "src"}
    assert {key for node in page.everything() for key in node.attrs} <= allowed
    assert page.find("script")[0].text == clean.find("script")[0].text
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
