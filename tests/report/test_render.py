from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from page_reader import read_page, rounds_to, table

from burnin.journal.embedded import EMPTY_SLOT, embed_seal
from burnin.report.page import certificate_page
from burnin.report.render import breakable, render_certificate


@pytest.fixture(scope="module")
def page(accepted):
    return read_page(render_certificate(*accepted))


def test_every_judgement_stands_in_a_table_with_its_own_figures(accepted, page):
    _, findings, _ = accepted
    rows = table(page, "criteria")
    plain = [finding for finding in findings if finding.criterion != "checklist_lines"]
    assert len(rows) == len(plain)
    for row, finding in zip(
        rows, sorted(plain, key=lambda item: item.outcome == "not_applicable"), strict=True
    ):
        assert row["Observed"].exact == finding.observed
        assert row["Limit"].exact == finding.limit
        assert row["Uncertainty ±"].exact == finding.uncertainty
        assert row["Margin"].exact == finding.margin
        assert finding.criterion.replace("_", " ") in row["Criterion"].text
        assert row["Journal lines"].text == {3: "31\u201333", 1: "812", 0: ""}[len(finding.evidence)]


def test_every_printed_figure_is_its_exact_value_rounded(page):
    figures = page.find("data")
    assert len(figures) > 60
    for figure in figures:
        assert rounds_to(figure.text, float(figure.attrs["value"])), figure.text


def test_every_sensor_stands_in_a_table_with_the_journals_extremes(accepted, page):
    view, _, _ = accepted
    rows = table(page, "channels")
    assert len(rows) == len(view.channels)
    for index, (row, channel) in enumerate(zip(rows, view.channels, strict=True)):
        good = view.values[:, index][view.quality[:, index] == 0].astype(float)
        assert row["Sensor"].text == channel.label
        assert row["Lowest"].exact == good.min()
        assert row["Highest"].exact == good.max()
        assert row["Mean"].exact == pytest.approx(good.mean(), rel=1e-12)
        assert int(row["Good values"].text) == len(good)
        missing = len(view.t_ns) - len(good)
        assert row["Not used"].text == (f"{missing} missing" if missing else "")


def test_every_load_stands_in_a_table_with_its_work(accepted, page):
    view, _, _ = accepted
    done = {}
    for entry in view.entries:
        if type(entry.event).__name__ == "LoadEnded":
            stage, load, _ = entry.event.load_id.split(".")
            key = (view.opened.plan.stages[int(stage)].name, load.replace("_", " "))
            steps, amount = done.get(key, (0, 0.0))
            done[key] = (steps + entry.event.steps, amount + entry.event.amount)
    rows = table(page, "work")
    assert len(rows) == len(done) == 4
    for row in rows:
        steps, amount = done[row["Stage"].text, row["Load"].text]
        assert row["Checked pieces"].exact == steps
        assert row["Work"].exact == pytest.approx(amount, rel=1e-12)
        assert row["Wrong"].text == "0"


def test_stages_machine_and_checklist_read_back(accepted, page):
    view, _, _ = accepted
    assert [row["Stage"].text for row in table(page, "stages")] == [
        stage.name for stage in view.opened.plan.stages
    ]
    serials = {row["Serial number"].text for row in table(page, "machine")}
    assert {"77A0C1", "77A0C2", "XB3-99120", "ED-4471-0X"} <= serials
    checks = table(page, "checklist")
    assert [row["Asked for"].text.partition("Two trackers")[0] for row in checks] == [
        line.text for line in view.opened.checklist.lines
    ]
    assert checks[0]["Observed"].exact == checks[0]["Asked"].exact == 3.0
    assert checks[2]["Observed"].exact == 34.36


def test_the_drawn_lines_hold_the_journals_own_values(accepted, page):
    view, _, _ = accepted
    lines = {
        node.attrs["data-key"]: node.attrs["d"] for node in page.find("path") if "data-key" in node.attrs
    }
    for index, channel in enumerate(view.channels):
        if channel.id not in lines:
            continue
        pairs = re.findall(r"[ML](\S+) ([^MLh]+)", lines[channel.id])
        column = view.values[:, index]
        seconds = {round(float(t), 3): np.float32(value) for t, value in pairs}
        at = {round(t / 1e9, 3): value for t, value in zip(view.t_ns.tolist(), column, strict=True)}
        assert all(at[t] == value for t, value in seconds.items())
        assert np.float32(max(float(value) for _, value in pairs)) == np.nanmax(column)
        assert np.float32(min(float(value) for _, value in pairs)) == np.nanmin(column)
    assert "hwmon/cpu" in lines


def test_a_fault_is_printed_in_full(rejected):
    page = read_page(render_certificate(*rejected))
    first, second = table(page, "fault-table")
    assert "address 0x00007f3a5c0119c8" in first["Values"].text
    assert "expected 0xaaaaaaaaaaaaaaaa" in first["Values"].text
    assert "found 0xaaaaaaaa2aaaaaaa" in first["Values"].text
    assert (first["Step"].text, first["Seed"].text, first["Core"].text) == ("4711", "2a", "any")
    assert (second["Step"].text, second["Core"].text, second["Stage"].text) == ("90", "3", "All together")
    (verdict,) = page.find("section", class_="verdict")
    assert verdict.find("h2")[0].text == "Rejected"
    assert [" ".join(node.text.split()) for node in page.find("li", class_="wrong")] == [
        "core 3 1 wrong in 37 200 pieces"
    ]


def test_a_first_look_says_so_and_names_what_was_not_measured(bare):
    page = read_page(render_certificate(*bare))
    assert (
        page.find("section", class_="verdict")[0].find("h2")[0].text
        == "First look: no fault seen (inconclusive)"
    )
    reasons = [node.text for node in page.find("p", class_="missing")]
    assert "Not measured, because temperature sensors: the kernel lists no sensor chip." in reasons
    assert "Not assessed, because the run was given no checklist." in reasons
    assert page.find("p", class_="workshop")[0].text == "Workshop not named"


def test_a_waiver_stands_in_the_verdict_line(waived):
    page = read_page(render_certificate(*waived))
    line = page.find("section", class_="verdict")[0].find("h2")[0].text
    assert (
        line
        == "Accepted with 1 waiver: coolant limit (Coolant), customer's own radiator, decided by R. Beispiel"
    )
    row = next(row for row in table(page, "criteria") if "coolant limit" in row["Criterion"].text)
    assert row["Result"].text.split() == ["fail", "waived"]
    assert (row["Observed"].text, row["Limit"].text, row["Margin"].text) == ("55.04", "55.00", "\u22120.04")


def test_a_rehearsal_is_marked_on_screen_and_on_every_printed_page(bare):
    from dataclasses import replace

    import msgspec

    view, findings, verdict = bare
    rehearsed = replace(view, opened=msgspec.structs.replace(view.opened, rehearsal=True))
    text = render_certificate(rehearsed, findings, verdict).decode()
    page = read_page(text.encode())
    assert page.find("aside")[0].text == "Rehearsal on a simulated bench: this certifies nothing"
    style = page.find("style")[0].text
    assert re.search(r"@top-center \{ content: .Rehearsal on a simulated bench", style)
    assert "Rehearsal on a simulated" not in render_certificate(*bare).decode()


def test_run_and_page_number_stand_on_every_printed_page(page):
    style = page.find("style")[0].text
    assert r'@bottom-left { content: "Run 20260528\00002d 222640\00002d kranich"; }' in style
    assert '"Page " counter(page) " of " counter(pages)' in style


def test_the_file_needs_nothing_but_itself(accepted):
    text = render_certificate(*accepted).decode()
    page = read_page(text.encode())
    for node in page.everything():
        for key in ("src", "href", "action", "srcset", "poster", "data"):
            assert node.attrs.get(key, "data:image/svg+xml;base64,").startswith("data:image/svg+xml;base64,")
        assert not any(key.startswith("on") for key in node.attrs), node.attrs
        assert "style" not in node.attrs
    assert "@import" not in text
    assert "url(" not in page.find("style")[0].text
    (policy,) = [node.attrs["content"] for node in page.find("meta") if "http-equiv" in node.attrs]
    assert policy.startswith("default-src 'none'; img-src data:; style-src 'sha256-")


def test_the_certificate_has_one_empty_place_for_its_seal(accepted):
    page = render_certificate(*accepted)
    assert page.count(EMPTY_SLOT) == 1
    assert (
        read_page(embed_seal(page, b'{"seal": "<>"}')).find("script", id="run-seal")[0].text
        == '{"seal": "\\u003c>"}'
    )


def test_headings_headers_and_landmarks_are_there(page):
    assert page.find("html")[0].attrs["lang"] == "en"
    for tag in ("header", "main", "footer", "h1"):
        assert len(page.find(tag)) == 1, tag
    for cell in page.find("th"):
        assert cell.attrs["scope"] in {"col", "row"}
    ids = [node.attrs["id"] for node in page.everything() if "id" in node.attrs]
    assert len(ids) == len(set(ids))
    for node in page.everything():
        for name in node.attrs.get("aria-labelledby", "").split():
            assert name in ids
    for svg in page.find("svg"):
        assert svg.attrs.get("aria-hidden") == "true" or (svg.find("title") and svg.find("desc"))


def test_no_outcome_is_told_by_colour_alone(page):
    for node in page.find("span", class_="outcome"):
        assert node.text.strip()
        assert len(node.find("svg")) == 1


SCRIPT = """
import sys
sys.path[:0] = [{root!r}, {here!r}]
import samples
from burnin.report.render import render_certificate
from burnin.report.result import build_result
import hashlib
for run in (samples.accepted(), samples.bare()):
    print(hashlib.sha256(render_certificate(*run)).hexdigest(), hashlib.sha256(build_result(*run)).hexdigest())
"""


@pytest.mark.processes
def test_same_bytes_under_any_locale_time_zone_hash_seed_user_and_folder(tmp_path):
    here = Path(__file__).parent
    script = SCRIPT.format(root=str(here.parent.parent), here=str(here))
    seen = set()
    for number, (zone, language) in enumerate(
        (("UTC", "C"), ("Asia/Kolkata", "de_DE.UTF-8"), ("America/St_Johns", "tr_TR.UTF-8"))
    ):
        folder = tmp_path / f"ordner {number} ü"
        folder.mkdir()
        env = {
            "PATH": os.environ["PATH"],
            "TZ": zone,
            "LC_ALL": language,
            "PYTHONHASHSEED": str(number * 77),
            "HOME": str(folder),
            "USER": f"u{number}",
        }
        done = subprocess.run(
            [sys.executable, "-c", script], cwd=folder, env=env, capture_output=True, text=True, check=True
        )
        seen.add(done.stdout)
    assert len(seen) == 1
    assert len(next(iter(seen)).split()) == 4


def test_a_word_too_long_for_a_cell_may_break_and_reads_back_the_same():
    word = "<" * 20 + "a" * 31
    marked = str(breakable(f"{word} b&"))
    assert marked.count("<wbr>") == 4
    assert read_page(marked.encode()).text == f"{word} b&"
    assert str(breakable("short & sweet")) == "short &amp; sweet"


def test_the_page_as_values_holds_no_markup(accepted):
    page = certificate_page(*accepted)
    assert "<" not in json.dumps(
        [fact.value for fact in page.head.order + page.head.test + page.head.conditions]
    )
