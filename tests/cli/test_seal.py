"""Keys, sealing, attempts: the same journal and key give the same sealed documents anywhere."""

from __future__ import annotations

import json
import shutil
import stat
import tomllib

import msgspec
import pytest
from told_runs import ORDER, SOAK, earlier, told, written

from burnin.cli import seal_key as seal_key_module
from burnin.cli.earlier import earlier_runs
from burnin.cli.equipment import everything, known_plugins
from burnin.cli.outcome import judge
from burnin.cli.sealing import papers, put_result, take_result
from burnin.cli.toml_text import toml_text
from burnin.journal import keys
from burnin.journal.embedded import take_seal
from burnin.journal.reader import read_run
from burnin.journal.recovery import recover_run
from burnin.journal.seal import SealedRun
from burnin.journal.verify import verify_document
from burnin.plan.loader import load_checklist, load_order, load_plan
from burnin.records import codec
from burnin.records.paperwork import Order
from burnin.testing import storage_trials


def test_a_key_is_its_owners_alone_and_never_overwritten(cli, own_home) -> None:
    code, out, _ = cli("seal-key")
    path = own_home / "config" / "burnin" / "seal-key.pem"
    assert code == 0
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert keys.fingerprint(keys.load_key(path).public_hex) in out
    before = path.read_bytes()
    code, _, err = cli("seal-key")
    assert (code, "never overwritten" in err, path.read_bytes() == before) == (2, True, True)


def test_a_key_elsewhere_as_json(cli, tmp_path) -> None:
    code, out, _ = cli("seal-key", "--json", "--out", tmp_path / "new" / "k.pem")
    told_key = json.loads(out)
    assert code == 0
    assert told_key["fingerprint"] == keys.fingerprint(told_key["public_key"])
    (tmp_path / "file").write_text("")
    code, _, err = cli("seal-key", "--out", tmp_path / "file" / "k.pem")
    assert (code, "expected a folder" in err) == (2, True)


def test_without_the_library_no_key_is_made_and_none_is_passed_over(
    cli, monkeypatch, own_home, plain_run
) -> None:
    cli("seal-key")
    monkeypatch.setattr(keys, "can_sign", lambda: False)
    code, _, err = cli("seal-key", "--out", own_home / "other.pem")
    assert (code, "pip install 'burnin[seal]'" in err) == (2, True)
    code, _, err = cli("certify", plain_run, "--out", own_home / "o")
    assert (code, "not installed" in err) == (2, True)


@pytest.mark.parametrize("command", ["accept", "certify", "recover", "bundle"])
def test_a_key_others_may_read_stops_everything_before_it_begins(
    cli, command, key_file, tmp_path, plain_run
) -> None:
    open_key = tmp_path / "open.pem"
    shutil.copy(key_file, open_key)
    open_key.chmod(0o644)
    arguments = {"accept": ("--yes",), "recover": (), "certify": (plain_run,), "bundle": (plain_run,)}[
        command
    ]
    runs = tmp_path / "runs"
    runs.mkdir()
    where = () if command == "certify" else ("--out", runs)
    code, _, err = cli(command, *arguments, *where, "--key", open_key)
    assert (code, "chmod 600" in err) == (2, True)
    assert list(runs.iterdir()) == []


def test_the_same_journal_and_key_give_the_same_bytes(
    cli, plain_run, signed_run, key_file, tmp_path, monkeypatch
) -> None:
    monkeypatch.setenv("TZ", "Pacific/Auckland")
    copy = tmp_path / "elsewhere"
    copy.mkdir()
    shutil.copy(plain_run / "journal.jsonl", copy)
    for key, other in ((key_file, signed_run), (None, None)):
        pages = []
        for where in ("one", "two"):
            cli("certify", copy, "--out", tmp_path / where, *(("--key", key) if key else ()))
            pages.append((tmp_path / where / "certificate.html").read_bytes())
        assert pages[0] == pages[1]
        if other:
            assert pages[0] == (other / "certificate.html").read_bytes()


def test_the_certificate_is_signed_says_by_whom_and_has_the_head_hash_of_its_result(
    signed_run, key_file
) -> None:
    page = (signed_run / "certificate.html").read_bytes()
    shown = keys.fingerprint(keys.load_key(key_file).public_hex)
    sealed, checks = verify_document(page, known_fingerprint=shown)
    assert {check.outcome for check in checks} == {"ok"}
    assert shown.encode() in page
    result = json.loads((signed_run / "result.json").read_bytes())
    assert result["journal"]["head_sha256"] == sealed.seal.head_sha256
    assert set(sealed.seal.files) == {
        "certificate.html",
        "result.json",
        "plan.toml",
        "order.toml",
        "software.json",
    }
    assert take_result(page) == (signed_run / "result.json").read_bytes()


def test_an_unsigned_page_says_so(plain_run) -> None:
    outcome = judge(plain_run / "journal.jsonl")
    assert b"Not signed: its seal shows accidental damage only." in outcome.certificate
    assert codec.from_json(outcome.seal, SealedRun).signature is None


def test_a_damaged_journal_gets_no_seal(plain_run, tmp_path) -> None:
    cut = tmp_path / "journal.jsonl"
    cut.write_bytes((plain_run / "journal.jsonl").read_bytes()[:-50])
    outcome = judge(cut)
    assert outcome.seal == b""
    assert take_seal(outcome.certificate)[1] == b""


def test_text_in_a_result_cannot_leave_its_place() -> None:
    result = codec.to_pretty_json({"a": "</script><script>alert(1)</script>\\u003c", "b": "\\\\u003c<"})
    page = put_result(b'x<script type="application/json" id="run-result"></script>y', result)
    assert page.count(b"<script") == page.count(b"</script>") == 1
    assert take_result(page) == result
    for none in (b"", b'<script type="application/json" id="run-result">{]</script>'):
        assert take_result(none) == b""


def test_recover_signs(cli, key_file, tmp_path) -> None:
    written(told(closed=False), tmp_path / "runs" / "built-run")
    code, _, _ = cli("recover", "--out", tmp_path / "runs", "--key", key_file, "--mains-lost", "no")
    assert code == 0
    page = (tmp_path / "runs" / "built-run" / "certificate.html").read_bytes()
    assert verify_document(page)[0].signature is not None
    assert b"the operator said that the mains had not failed" in page


@pytest.mark.parametrize(
    ("said", "kept"), [("YES\n", "yes"), ("no\n", "no"), ("hm\n", "unknown"), ("", "unknown")]
)
def test_on_a_terminal_recover_asks_for_the_mains(cli, tmp_path, monkeypatch, said, kept) -> None:
    import io
    import sys

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    folder = written(told(closed=False), tmp_path / "runs" / "built-run")
    monkeypatch.setattr(sys, "stdin", Terminal(said))
    assert "Had the mains failed" in cli("recover", "--out", tmp_path / "runs")[1]
    assert f'"mains_lost":"{kept}"' in (folder / "journal.jsonl").read_text()


@pytest.mark.processes
def test_accept_seals_the_earlier_attempts_and_signs(cli, short_plan, key_file, tmp_path) -> None:
    runs = tmp_path / "runs"
    written(told(faults=1), runs / "20260101-1")
    order = tmp_path / "order.toml"
    order.write_bytes(toml_text(ORDER))
    arguments = ("--plan", short_plan, "--out", runs, "--yes", "--order", order, "--key", key_file)
    code, out, _ = cli("accept", *arguments)
    assert code == 3
    assert "Attempt 2; earlier: rejected" in out
    page = next(path for path in runs.glob("2*/certificate.html")).read_bytes()
    sealed, _ = verify_document(page)
    assert [run.standing for run in sealed.seal.attempts] == ["rejected"]
    assert b"2; earlier: rejected" in page


def attempt(runs, name, **fields):
    options = {"closed": fields.pop("closed", True), "faults": fields.pop("faults", 0)}
    return written(told(**options, run_id=name, **fields), runs / name)


def test_earlier_runs_of_the_same_serial_number_are_found_and_judged(tmp_path) -> None:
    runs = tmp_path / "runs"
    attempt(runs, "a", faults=1)
    attempt(runs, "b")
    attempt(runs, "c", closed=False)
    reset = attempt(runs, "d", closed=False)
    recover_run(reset, storage_trials.EVIDENCE)
    attempt(runs, "of-another", order=Order(format=1, order="B", serial="SN-2"))
    attempt(runs, "without-order", order=None)
    attempt(runs, "rehearsed", rehearsal=True)
    (runs / "empty").mkdir()
    (runs / "bad").mkdir()
    (runs / "bad" / "journal.jsonl").write_bytes(b"nothing\n")
    broken = runs / "e"
    shutil.copytree(runs / "b", broken)
    lines = (broken / "journal.jsonl").read_bytes().split(b"\n")
    (broken / "journal.jsonl").write_bytes(b"\n".join([lines[0], *lines[3:]]))
    found = earlier_runs(runs, ORDER)
    assert [run.run_id for run in found[:4]] == ["a", "b", "c", "d"]
    assert [run.standing for run in found] == ["rejected", "inconclusive", "cut_off", "reset", "cut_off"]
    assert found[0].date.startswith("2026-")
    assert earlier_runs(runs, None) == earlier_runs(runs, Order(format=1, order="x")) == ()
    assert earlier_runs(tmp_path / "none", ORDER) == ()


def test_an_earlier_run_that_cannot_be_read_is_told_as_such(tmp_path, monkeypatch) -> None:
    from burnin.cli import earlier as module
    from burnin.errors import InputError

    attempt(tmp_path / "runs", "a")

    def refuse(path):
        raise InputError("torn", slug="journal-bad")

    monkeypatch.setattr(module, "read_run", refuse)
    assert [run.standing for run in earlier_runs(tmp_path / "runs", ORDER)] == ["unreadable"]


def test_attempts_are_printed_and_sealed(tmp_path) -> None:
    folder = written(told(earlier=earlier("rejected", "reset")), tmp_path / "run")
    outcome = judge(folder / "journal.jsonl")
    assert b"3; earlier: rejected (run-0), reset (run-1)" in outcome.certificate
    seal = codec.from_json(outcome.seal, SealedRun).seal
    assert [(run.run_id, run.standing) for run in seal.attempts] == [
        ("run-0", "rejected"),
        ("run-1", "reset"),
    ]
    assert [run["standing"] for run in json.loads(outcome.result)["earlier"]] == ["rejected", "reset"]


@pytest.mark.parametrize("name", ["first-look", "one-hour", "one-night"])
def test_the_plan_in_a_bundle_is_a_plan(name, tmp_path) -> None:
    known = known_plugins(everything())
    plan, _ = load_plan(name, known)
    again = tmp_path / f"{name}.toml"
    again.write_bytes(toml_text(plan, without=("name",)))
    assert load_plan(str(again), known)[0] == plan


def test_order_and_checklist_in_a_bundle_are_what_they_were(tmp_path) -> None:
    checklist = load_checklist("first-generation-tethered")
    opened = read_run(written(told(checklist=checklist), tmp_path / "run")).opened
    made = papers(opened)
    for name, data in made.items():
        (tmp_path / name).write_bytes(data)
    assert load_order(str(tmp_path / "order.toml")) == ORDER
    again = load_checklist(str(tmp_path / "checklist.toml"))
    assert msgspec.structs.replace(again, name=checklist.name) == checklist
    assert json.loads(made["software.json"])["burnin"] == "0.0.0"
    assert set(papers(msgspec.structs.replace(opened, order=None, checklist=None))) == {
        "plan.toml",
        "software.json",
    }


def test_any_text_survives_toml() -> None:
    nasty = "".join(map(chr, range(1, 0x180))) + '"""\\\u2028\U0001f600'
    order = Order(format=1, order=nasty, beyond_ratings=(nasty, ""))
    back = tomllib.loads(toml_text(order).decode("utf-8"))
    assert (back["order"], back["beyond_ratings"]) == (nasty, [nasty, ""])
    roles = msgspec.structs.replace(told().lines[0].event.plan, roles={nasty: "none", "bare-1": "none"})
    assert tomllib.loads(toml_text(roles).decode())["roles"] == {nasty: "none", "bare-1": "none"}
    assert tomllib.loads(toml_text(SOAK).decode())["loads"] == [{"load": "matrix"}]


def test_the_default_key_is_in_the_users_settings(own_home) -> None:
    assert seal_key_module.default_key() == own_home / "config" / "burnin" / "seal-key.pem"
