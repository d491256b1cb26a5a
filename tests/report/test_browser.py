from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import tarfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from browser import Browser, find_chromium
from hostile import TEXTS, poison

from burnin.report.render import render_certificate

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(find_chromium() is None, reason="no Chromium is installed"),
]
RUNS = ("accepted", "rejected", "bare", "waived")


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    started = Browser(tmp_path_factory.mktemp("profile"))
    yield started
    started.close()


@pytest.fixture(scope="module")
def axe(tmp_path_factory):
    """The text of axe-core: from AXE_CORE, or fetched with npm."""
    given = os.environ.get("AXE_CORE")
    if given:
        return Path(given).read_text(encoding="utf-8")
    folder = tmp_path_factory.mktemp("axe")
    if shutil.which("npm") is None:
        pytest.skip("npm is not installed and AXE_CORE names no file")
    done = subprocess.run(
        ["npm", "pack", "--silent", "axe-core@4"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    if done.returncode:
        pytest.skip("axe-core could not be fetched")
    with tarfile.open(next(folder.glob("*.tgz"))) as archive:
        script = archive.extractfile("package/axe.min.js")
        assert script is not None
        return script.read().decode("utf-8")


@pytest.fixture
def opened(browser, tmp_path, request):
    def open_page(run, **size):
        data = render_certificate(*run)
        page = tmp_path / "certificate.html"
        page.write_bytes(data)
        browser.events.clear()
        browser.open(page, **size)
        return browser

    return open_page


@pytest.mark.parametrize("run", RUNS)
def test_no_console_message_and_no_request_but_the_file(run, opened, request):
    page = opened(request.getfixturevalue(run))
    page.run("document.querySelectorAll('button').forEach(function (b) { b.click(); })")
    assert page.complaints() == []
    assert [url for url in page.requests() if not url.startswith("data:image/svg+xml;base64,")] == [
        url for url in page.requests() if url.endswith("/certificate.html")
    ]


@pytest.mark.parametrize("run", RUNS)
def test_axe_finds_nothing_against_wcag_22_a_and_aa(run, opened, axe, request):
    page = opened(request.getfixturevalue(run))
    page.run("document.querySelectorAll('details').forEach(function (d) { d.open = true; })")
    page.run(axe)
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    report = page.run(f"axe.run({{runOnly: {json.dumps(tags)}}}).then(JSON.stringify)")
    found = json.loads(report)
    assert len(found["passes"]) > 15
    assert [
        (item["id"], [node["html"][:120] for node in item["nodes"]][:3]) for item in found["violations"]
    ] == []


def test_hover_reads_out_the_journals_values(opened, accepted):
    view, _, _ = accepted
    page = opened(accepted)
    index = 611
    t_s = float(view.t_ns[index]) / 1e9
    text = page.run(
        f"""(function () {{
          var figure = document.querySelector('#chart-temperature'), svg = figure.querySelector('svg'), box = svg.getBoundingClientRect();
          var end = Number(figure.getAttribute('data-end')), x = 50 + ({t_s!r} + 0.01) * 484 / end;
          svg.dispatchEvent(new PointerEvent('pointermove', {{clientX: box.left + x * box.width / 760, clientY: box.top + 40, bubbles: true}}));
          return figure.querySelector('.read-out').textContent;
        }}())"""
    )
    shown = dict(re.findall(r"(CPU package|Coolant|Graphics|Drive) (\d+(?:\.\d+)?) °C", text))
    column = {channel.label: number for number, channel in reversed(list(enumerate(view.channels)))}
    assert len(shown) == 4
    for label, value in shown.items():
        assert np.float32(value) == view.values[index, column[label]], label


def test_zoom_and_channel_switches_work_by_keyboard_alone(opened, accepted):
    page = opened(accepted)
    page.run(
        "[...document.querySelectorAll('.zoom button')].find(b => b.textContent === '4 All together').focus()"
    )
    for kind in ("rawKeyDown", "char", "keyUp"):
        page.call(
            "Input.dispatchKeyEvent",
            type=kind,
            key="Enter",
            code="Enter",
            windowsVirtualKeyCode=13,
            text="\r",
        )
    assert page.run("document.querySelector('.zoom [aria-pressed=true]').textContent") == "4 All together"
    labels = page.run(
        "[...document.querySelectorAll('#chart-power .time-grid text')].map(t => t.textContent)"
    )
    assert labels[-1] == "75 min"
    page.run("document.querySelector('#chart-temperature details').open = true")
    page.run(
        "[...document.querySelectorAll('#chart-temperature .switches button')].find(b => b.textContent === 'Core 3').click()"
    )
    assert (
        page.run("document.querySelector('[data-key=\"hwmon/core3\"].line').classList.contains('waiting')")
        is False
    )
    page.run(
        "var s = document.querySelector('.zoom input'); s.value = 3600; s.dispatchEvent(new Event('input'))"
    )
    assert page.run("document.querySelector('#chart-power .read-out').textContent").startswith(
        "1 h 0 min 0 s: CPU package 2"
    )


def test_hover_on_a_long_run_gives_a_range_of_the_journals_values(opened, accepted):
    view, findings, verdict = accepted
    times = 4
    t_ns = np.concatenate(
        [view.t_ns // times + number * (int(view.t_ns[-1]) // times) for number in range(times)]
    )
    long = replace(
        view,
        t_ns=t_ns,
        seq=np.arange(len(t_ns)),
        values=np.tile(view.values, (times, 1)),
        quality=np.tile(view.quality, (times, 1)),
    )
    page = opened((long, findings, verdict))
    t_s = float(t_ns[2000]) / 1e9
    text = page.run(
        f"var s = document.querySelector('.zoom input'); s.value = {t_s}; s.dispatchEvent(new Event('input')); document.querySelector('#chart-temperature .read-out').textContent"
    )
    low, high = re.search(r"CPU package (\S+)(?: to (\S+))? °C", text).groups()
    near = long.values[1900:2100, 0]
    assert np.float32(low) in near
    assert high is None or np.float32(high) in near


@pytest.mark.parametrize("width", [360, 800, 1400])
@pytest.mark.parametrize("name", ["plain", "long", "emoji", "hebrew"])
def test_nothing_reaches_beyond_the_page_on_screen(opened, rejected, name, width):
    page = opened(rejected if name == "plain" else poison(rejected, TEXTS[name]), width=width)
    wide, room = page.run("[document.documentElement.scrollWidth, document.documentElement.clientWidth]")
    assert wide <= room


@pytest.mark.parametrize(("paper", "width_in", "height_in"), [("A4", 8.27, 11.69), ("Letter", 8.5, 11.0)])
@pytest.mark.parametrize("run", RUNS)
def test_paper_has_two_to_five_pages_with_the_run_on_each(
    opened, request, tmp_path, run, paper, width_in, height_in
):
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed")
    page = opened(request.getfixturevalue(run))
    file = tmp_path / f"{run}-{paper}.pdf"
    file.write_bytes(page.pdf(width_in, height_in))
    text = subprocess.run(
        ["pdftotext", "-layout", str(file), "-"], capture_output=True, text=True, check=True
    ).stdout
    pages = text.split("\f")[:-1]
    view = request.getfixturevalue(run)[0]
    assert 2 <= len(pages) <= (5 if run == "rejected" else 4)
    for number, sheet in enumerate(pages, start=1):
        assert f"Run {view.opened.run_id}" in sheet
        assert f"Page {number} of {len(pages)}" in sheet


@pytest.mark.parametrize("name", ["plain", "long"])
def test_no_cell_is_cut_on_paper(opened, rejected, name):
    page = opened(rejected if name == "plain" else poison(rejected, TEXTS[name]), width=700)
    page.call("Emulation.setEmulatedMedia", media="print")
    try:
        over = page.run(
            "[...document.querySelectorAll('td, th, li, dd, p')].filter(n => n.getBoundingClientRect().right > document.body.getBoundingClientRect().right + 1)"
            ".map(n => n.textContent.slice(0, 60))"
        )
    finally:
        page.call("Emulation.setEmulatedMedia", media="")
    assert over == []


def test_a_rehearsal_is_marked_on_every_printed_page(opened, bare, tmp_path):
    import msgspec

    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed")
    view, findings, verdict = bare
    page = opened(
        (replace(view, opened=msgspec.structs.replace(view.opened, rehearsal=True)), findings, verdict)
    )
    file = tmp_path / "rehearsal.pdf"
    file.write_bytes(page.pdf(8.27, 11.69))
    text = subprocess.run(
        ["pdftotext", "-layout", str(file), "-"], capture_output=True, text=True, check=True
    ).stdout
    for sheet in text.split("\f")[:-1]:
        assert "Rehearsal on a simulated bench: this certifies nothing" in sheet


def test_the_page_says_everything_without_script(browser, opened, accepted):
    browser.call("Emulation.setScriptExecutionDisabled", value=True)
    try:
        page = opened(accepted)
        page.call("Emulation.setScriptExecutionDisabled", value=False)
        assert page.run("document.querySelectorAll('button').length") == 0
        assert page.run("document.querySelectorAll('.line').length") > 10
        assert "Accepted" in page.run("document.body.innerText")
    finally:
        browser.call("Emulation.setScriptExecutionDisabled", value=False)
