"""A certificate checks its own seal in a real browser, offline, and says what that does not show."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from told_runs import earlier, told, written

from burnin.cli.main import main
from burnin.journal import keys

sys.path.insert(0, str(Path(__file__).parents[1] / "report"))
from browser import Browser, find_chromium

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(find_chromium() is None, reason="no Chromium is installed"),
]
ANSWER = "document.querySelector('.seal-check p')"
WAIT = (
    f"new Promise(done => {{ const look = () => {ANSWER}.textContent ? done({ANSWER}.textContent) "
    ": setTimeout(look, 5); look(); })"
)


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    started = Browser(tmp_path_factory.mktemp("profile"))
    yield started
    started.close()


@pytest.fixture(scope="module")
def page(key_file, tmp_path_factory):
    """A signed certificate with text in its seal that has to be escaped there."""
    attempts = earlier("rejected", "reset")
    hostile = tuple(type(run)(run_id="<b>\\u003c\\\\u003c\u00fc", standing=run.standing) for run in attempts)
    folder = written(told(earlier=hostile), tmp_path_factory.mktemp("page") / "run")
    assert main(["certify", str(folder), "--key", str(key_file)]) == 0
    return folder / "certificate.html"


def asked(browser, page: Path, file: Path) -> str:
    """Open a page, give it a file, return what it says."""
    browser.events.clear()
    browser.open(page)
    root = browser.call("DOM.getDocument")["root"]["nodeId"]
    node = browser.call("DOM.querySelector", nodeId=root, selector=".seal-check input")["nodeId"]
    browser.call("DOM.setFileInputFiles", nodeId=node, files=[str(file)])
    said = browser.run(WAIT)
    trouble = {"Runtime.exceptionThrown", "Log.entryAdded", "Runtime.consoleAPICalled"}
    assert [event for event in browser.events if event.get("method") in trouble] == []
    assert [url for url in browser.requests() if not url.startswith("file:")] == []
    return said


def test_an_unchanged_page_names_its_key_and_what_it_cannot_show(browser, page, key_file) -> None:
    said = asked(browser, page, page)
    assert said.startswith("Unchanged since it was sealed. Signed with the key ")
    assert keys.fingerprint(keys.load_key(key_file).public_hex) in said
    assert "A page cannot vouch for itself" in said
    assert "the bundle shows that" in said


@pytest.mark.parametrize(
    ("old", "new", "told_text"),
    [
        (b"Inconclusive", b"Accepted", "the page is not the one that was sealed"),
        (b'"sweeps":30', b'"sweeps":31', "the seal is not what its digest says"),
        (b'"value":"', b'"value":"00', "the signature does not fit the seal"),
        (b'id="run-seal"', b'id="run-meal"', "there is no seal in its place"),
    ],
)
def test_a_changed_page_is_told(browser, page, tmp_path, old, new, told_text) -> None:
    changed = tmp_path / "changed.html"
    data = page.read_bytes()
    at = data.rindex(old) if b"sweeps" in old else data.index(old)
    changed.write_bytes(data[:at] + new + data[at + len(old) :])
    assert asked(browser, page, changed) == f"CHANGED, or no certificate: {told_text}."


def test_an_unsigned_page_shows_accidental_damage_only(browser, plain_run, page, tmp_path) -> None:
    assert main(["certify", str(plain_run), "--out", str(tmp_path)]) == 0
    unsigned = tmp_path / "certificate.html"
    said = asked(browser, unsigned, unsigned)
    assert said == "Unchanged since it was sealed. Not signed: this shows accidental damage only."
    assert asked(browser, page, unsigned) == said


def test_another_file_is_no_certificate(browser, page, tmp_path) -> None:
    other = tmp_path / "x.html"
    other.write_bytes(b"hello")
    assert asked(browser, page, other) == "CHANGED, or no certificate: there is no seal in its place."
