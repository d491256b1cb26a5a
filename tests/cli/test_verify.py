"""What ``verify`` says of every kind of evidence: good, changed, forged, unsigned, unchecked."""

from __future__ import annotations

import json
import random
import shutil
from pathlib import Path

import jsonschema
import msgspec
import pytest
from byte_trials import KINDS, Trials
from told_runs import earlier, rechained, told, written

from burnin.cli import verify as verify_module
from burnin.cli.main import main
from burnin.cli.outcome import judge
from burnin.cli.refold import refold
from burnin.journal import keys
from burnin.journal.embedded import EMPTY_SLOT, take_seal

SCHEMA = Path(__file__).parents[2] / "docs" / "schema" / "verify.schema.json"


@pytest.fixture
def folder(signed_run, tmp_path):
    copy = tmp_path / "copy"
    shutil.copytree(signed_run, copy)
    return copy


@pytest.fixture
def alone(signed_run, tmp_path):
    path = tmp_path / "mail" / "certificate.html"
    path.parent.mkdir()
    shutil.copy(signed_run / "certificate.html", path)
    return path


@pytest.fixture(scope="session")
def bundle(signed_run, key_file, tmp_path_factory):
    path = tmp_path_factory.mktemp("bundle") / "run.zip"
    assert main(["bundle", str(signed_run), "--key", str(key_file), "--out", str(path)]) == 0
    return path


@pytest.fixture
def shown(key_file):
    return keys.fingerprint(keys.load_key(key_file).public_hex)


def told_json(cli, *arguments):
    code, out, _ = cli("verify", "--json", *arguments)
    data = json.loads(out)
    jsonschema.Draft202012Validator(json.loads(SCHEMA.read_text())).validate(data)
    return code, data


def test_a_certificate_alone_says_what_kind_of_check_it_was(cli, alone, shown) -> None:
    code, out, _ = cli("verify", alone)
    assert code == 0
    assert "Unchanged, and its findings fold to its verdict." in out
    assert "Checked without the journal" in out
    assert f"Signed with the key {shown}" in out
    code, data = told_json(cli, alone)
    assert (code, data["basis"], data["signature"], data["fingerprint"]) == (0, "findings", "good", shown)
    assert data["verdict"] == "Inconclusive"


@pytest.mark.parametrize("name", ["", "certificate.html", "result.json", "journal.jsonl"])
def test_with_the_journal_everything_is_worked_out_anew(cli, folder, name) -> None:
    code, out, _ = cli("verify", folder / name)
    assert code == 0
    assert "Worked out anew from the journal" in out
    assert "The journal's chain is whole, and the documents follow from it." in out
    assert "the machine's own clock" in out
    assert told_json(cli, folder / name)[1]["signature"] == "good"


def test_a_bundle_is_worked_out_anew(cli, bundle) -> None:
    code, data = told_json(cli, bundle)
    assert (code, data["basis"], data["signature"]) == (0, "journal", "good")


def test_a_result_alone_can_only_be_folded(cli, folder, tmp_path) -> None:
    path = tmp_path / "result.json"
    shutil.copy(folder / "result.json", path)
    code, out, _ = cli("verify", path)
    assert code == 0
    assert "No seal: this shows accidental damage only" in out
    path.write_bytes(path.read_bytes().replace(b'"standing": "inconclusive"', b'"standing": "accepted"'))
    code, out, _ = cli("verify", path)
    assert (code, "DIFFERS: verdict: standing: found accepted; expected inconclusive" in out) == (1, True)


def test_a_result_beside_its_certificate_is_held_against_the_seal(cli, folder) -> None:
    (folder / "journal.jsonl").unlink()
    code, data = told_json(cli, folder / "result.json")
    assert (code, data["basis"], data["signature"]) == (0, "findings", "good")
    path = folder / "result.json"
    path.write_bytes(path.read_bytes().replace(b"Larkspur", b"Lorkspur"))
    code, out, _ = cli("verify", path)
    assert (code, "DIFFERS: result.json: found" in out) == (1, True)


def test_the_key_is_compared_with_one_obtained_elsewhere(cli, alone, shown, tmp_path) -> None:
    assert cli("verify", alone, "--key", shown)[0] == 0
    assert cli("verify", alone, "--key", shown.replace(" ", "").upper())[0] == 0
    other = keys.fingerprint(keys.create_key(tmp_path / "other.pem").public_hex)
    code, out, _ = cli("verify", alone, "--key", other)
    assert (code, "unknown key" in out) == (1, True)
    assert told_json(cli, alone, "--key", other)[1]["signature"] == "unknown key"
    code, _, err = cli("verify", alone, "--key", "abc")
    assert (code, "expected 64 hex digits" in err) == (2, True)


def test_an_unsigned_run_shows_accidental_damage_only(cli, plain_run, tmp_path, shown) -> None:
    cli("certify", plain_run, "--out", tmp_path)
    shutil.copy(plain_run / "journal.jsonl", tmp_path)
    for path in (tmp_path, tmp_path / "certificate.html"):
        code, out, _ = cli("verify", path)
        assert (code, "Not signed: this shows accidental damage only" in out) == (0, True)
    code, out, _ = cli("verify", tmp_path, "--key", shown)
    assert code == 1
    assert told_json(cli, plain_run)[1]["signature"] == "none"
    assert cli("verify", plain_run, "--key", shown)[0] == 1


def test_without_the_library_a_signature_is_never_good(cli, folder, shown, monkeypatch) -> None:
    monkeypatch.setattr(keys, "can_sign", lambda: False)
    monkeypatch.setattr(verify_module, "can_sign", lambda: False)
    code, out, _ = cli("verify", folder)
    assert code == 0
    assert "Signature not checked" in out
    assert "Signed with" not in out
    assert told_json(cli, folder)[1]["signature"] == "not checked"
    code, _, err = cli("verify", folder, "--key", shown)
    assert (code, "cannot be compared" in err) == (2, True)


def test_a_changed_line_of_the_journal_is_named_with_its_field(cli, folder) -> None:
    path = folder / "journal.jsonl"
    good = path.read_bytes()
    path.write_bytes(good.replace(b'"v":[61.5]', b'"v":[41.5]', 1))
    code, out, _ = cli("verify", folder)
    assert code == 1
    number = good[: good.index(b'"v":[61.5]')].count(b"\n") + 1
    assert f"DIFFERS: journal: line {number}, event.v[0]: found 41.5; expected 61.5" in out
    assert "not worked out anew: the journal was changed" in out
    path.write_bytes(b"\x00" + good[1:])
    code, data = told_json(cli, folder)
    assert (code, data["basis"]) == (1, "nothing")


def test_a_changed_page_is_named_by_line_and_a_changed_result_by_key(cli, folder) -> None:
    page = folder / "certificate.html"
    page.write_bytes(page.read_bytes().replace(b"Inconclusive", b"Accepted", 1))
    result = folder / "result.json"
    result.write_bytes(result.read_bytes().replace(b'"exit_code": 3', b'"exit_code": 0'))
    code, out, _ = cli("verify", folder)
    assert code == 1
    assert "DIFFERS: certificate.html: line" in out
    assert "as the journal gives" in out
    assert "DIFFERS: result.json: verdict.exit_code: found 0; expected 3" in out
    result.write_bytes(result.read_bytes() + b" ")
    page.write_bytes(page.read_bytes() + b"\n")
    assert cli("verify", folder)[0] == 1


def test_a_changed_page_alone_says_whether_its_findings_were_touched(cli, alone) -> None:
    good = alone.read_bytes()
    alone.write_bytes(good.replace(b"<h1>", b"<h1>x", 1))
    code, data = told_json(cli, alone)
    assert (code, len(data["trouble"])) == (1, 1)
    alone.write_bytes(good.replace(b'"standing":"inconclusive"', b'"standing":"accepted"', 1))
    code, out, _ = cli("verify", alone)
    assert code == 1
    assert "the findings inside it: not as sealed" in out
    assert "DIFFERS: verdict: standing" in out
    alone.write_bytes(good.replace(b'"findings":[', b'"findings":[7,', 1))
    code, out, _ = cli("verify", alone)
    assert (code, "the findings cannot be read" in out) == (1, True)


def forged(folder: Path, base: Path, key: Path | None) -> Path:
    """The run without its fault, chained, certified and sealed anew by somebody else."""
    base.mkdir()
    journal = (folder / "journal.jsonl").read_bytes()

    def kinder(event):
        return {**event, "v": [50.0]} if event["kind"] == "sweep" else event

    (base / "journal.jsonl").write_bytes(rechained(journal, kinder))
    assert main(["certify", str(base), *(["--key", str(key)] if key else [])]) == 0
    return base


def test_a_forgery_sealed_anew_with_another_key_is_an_unknown_key(cli, folder, tmp_path, shown) -> None:
    keys.create_key(tmp_path / "forger.pem")
    fake = forged(folder, tmp_path / "fake", tmp_path / "forger.pem")
    assert cli("verify", fake)[0] == 0, "a forgery is whole in itself: only the fingerprint tells"
    code, out, _ = cli("verify", fake, "--key", shown)
    assert (code, "unknown key" in out) == (1, True)
    for name in ("certificate.html", "result.json"):
        shutil.copy(folder / name, fake)
    code, out, _ = cli("verify", fake)
    assert (code, "DIFFERS: journal: lines 1 to" in out or "DIFFERS: journal:" in out) == (1, True)


def test_a_forgery_left_unsigned_is_not_signed_by_the_workshop(cli, folder, tmp_path, shown) -> None:
    fake = forged(folder, tmp_path / "fake", None)
    code, out, _ = cli("verify", fake)
    assert (code, "accidental damage only" in out) == (0, True)
    assert cli("verify", fake, "--key", shown)[0] == 1


def test_attempts_in_the_seal_are_told(cli, tmp_path) -> None:
    folder = written(told(earlier=earlier("rejected", "cut_off")), tmp_path / "run")
    cli("certify", folder)
    assert "Attempt 3 on this serial number; earlier: rejected, cut off." in cli("verify", folder)[1]
    assert [run["standing"] for run in told_json(cli, folder)[1]["earlier"]] == ["rejected", "cut_off"]


def test_a_journal_cut_off_without_a_seal(cli, plain_run, tmp_path) -> None:
    path = tmp_path / "journal.jsonl"
    path.write_bytes((plain_run / "journal.jsonl").read_bytes()[:-40])
    code, out, _ = cli("verify", path)
    assert code == 1
    assert "bytes after the last good line" in out
    assert "Verdict: " in out


def test_a_journal_that_fits_its_seal_but_not_this_version(cli, folder, monkeypatch) -> None:
    from burnin.cli import checking
    from burnin.errors import InputError

    def refuse(stream, name):
        raise InputError("made by a later version", slug="journal-bad")

    monkeypatch.setattr(checking, "read_run_from", refuse)
    code, out, _ = cli("verify", folder)
    assert (code, "made by a later version" in out) == (0, True)
    assert "Unchanged since it was sealed." in out


def test_another_version_may_word_it_otherwise(cli, folder) -> None:
    page = folder / "certificate.html"
    page.write_bytes(page.read_bytes().replace(b"Acceptance", b"Accapted", 1))
    assert "was made with version 0.0.0, this is" in cli("verify", folder)[1]


@pytest.mark.parametrize("data", [b"", b"hello", b"\xff\xfe", b"<!DOCTYPE html>" + EMPTY_SLOT, b"{"])
@pytest.mark.parametrize("name", ["certificate.html", "result.json"])
def test_what_is_no_document_is_never_good(cli, tmp_path, name, data) -> None:
    path = tmp_path / name
    path.write_bytes(data)
    code, out, _ = cli("verify", path)
    assert code == 1
    assert "DIFFERS" in out


def test_files_that_cannot_be_read(cli, tmp_path, monkeypatch) -> None:
    from burnin.cli import checking

    monkeypatch.setattr(checking, "_MOST_BYTES", 4)
    path = tmp_path / "certificate.html"
    path.write_bytes(b"12345")
    code, _, err = cli("verify", path)
    assert (code, "expected a certificate or a result" in err) == (2, True)

    def refuse(self):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", refuse)
    path.write_bytes(b"1")
    assert "permission denied" in cli("verify", path)[2]


def test_a_seal_that_is_none(cli, folder) -> None:
    page = folder / "certificate.html"
    data = page.read_bytes()
    page.write_bytes(data.replace(take_seal(data)[1][:40], b'{"seal":{"format":7777777777777777,     '))
    code, data = told_json(cli, folder)
    assert (code, data["sealed"], data["signature"]) == (1, False, "none")


def test_the_fold_reads_stops_and_waivers(plain_run) -> None:
    result = json.loads(judge(plain_run / "journal.jsonl").result)
    verdict = result["verdict"]
    assert refold(msgspec.json.encode(result)).check.outcome == "ok"
    changes = {"stopped_for_safety": True, "exit_code": 5}
    assert refold(msgspec.json.encode({**result, "verdict": {**verdict, **changes}})).check.outcome == "ok"
    changes = {"stopped_by_operator": True, "exit_code": 4}
    assert refold(msgspec.json.encode({**result, "verdict": {**verdict, **changes}})).check.outcome == "ok"
    worse = [{**each, "outcome": "fail"} for each in result["findings"]]
    changed = refold(msgspec.json.encode({**result, "findings": worse})).check
    assert (changed.outcome, changed.place) == ("changed", "standing, line, exit_code")


def test_a_waived_verdict_folds_to_itself() -> None:
    failed = {"criterion": "checklist_lines", "slug": "s", "outcome": "fail", "subject": "usb"}
    needed = [{"criterion": name, "slug": "s", "outcome": "pass"} for name in verify_needed()]
    used = {
        "criterion": "checklist_lines",
        "subject": "usb",
        "outcome": "fail",
        "reason": "agreed",
        "by": "A",
    }
    verdict = {
        "standing": "accepted",
        "first_look": False,
        "line": "Accepted with 1 waiver: checklist lines (usb), agreed, decided by A",
        "waivers": [used],
        "stopped_for_safety": False,
        "stopped_by_operator": False,
        "exit_code": 0,
    }
    result = {"run_id": "r", "verdict": verdict, "findings": [failed, *needed]}
    assert refold(msgspec.json.encode(result)).check.outcome == "ok"
    verdict["waivers"] = []
    assert refold(msgspec.json.encode(result)).check.outcome == "changed"


def verify_needed():
    from burnin.criteria.verdict import NEEDED_TO_ACCEPT

    return NEEDED_TO_ACCEPT


@pytest.mark.parametrize("kind", KINDS)
def test_single_changed_bytes_are_found(kind, signed_run, bundle, tmp_path) -> None:
    """A part of the set; ``python tests/cli/byte_trials.py 1000`` is the whole."""
    trials = Trials(signed_run, bundle, tmp_path)
    assert trials.unchanged()[kind][0] == 0
    chance = random.Random(KINDS.index(kind))
    for _ in range(12):
        code, said, where = trials.change(kind, chance)
        assert code in {1, 2}, f"{where}: {said}"
        assert "DIFFERS: " in said or said.startswith("burnin: "), f"{where}: {said}"
        assert "Traceback" not in said
