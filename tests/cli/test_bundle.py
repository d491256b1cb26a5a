"""A run in one file: the same bytes every time, opened safely, and a customer's copy that still verifies."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import jsonschema
import pytest
from told_runs import CUSTOMER, DRIVE, MAC, ORDER, told, written

from burnin.cli import bundle as bundle_module
from burnin.cli.redaction import redacted_journal
from burnin.errors import InputError
from burnin.journal import keys
from burnin.journal.bundle import open_bundle
from burnin.journal.reader import read_journal
from burnin.records.paperwork import Order

SCHEMA = Path(__file__).parents[2] / "docs" / "schema" / "bundle.schema.json"
NAMES = (
    "journal.jsonl",
    "certificate.html",
    "result.json",
    "plan.toml",
    "order.toml",
    "software.json",
    "seal.json",
)


def bundled(cli, run, path, *arguments):
    code, out, err = cli("bundle", run, "--out", path, "--json", *arguments)
    assert code == 0, err
    data = json.loads(out)
    jsonschema.Draft202012Validator(json.loads(SCHEMA.read_text())).validate(data)
    assert data["size_bytes"] == Path(data["file"]).stat().st_size
    return data


def test_the_same_run_and_key_give_the_same_bytes(cli, signed_run, key_file, tmp_path) -> None:
    assert bundled(cli, signed_run, tmp_path / "a.zip", "--key", key_file)["signed"] is True
    again = bundled(cli, signed_run / "journal.jsonl", tmp_path / "b.zip", "--key", key_file)
    of_bundle = bundled(cli, tmp_path / "a.zip", tmp_path / "c.zip", "--key", key_file)
    assert again["run_id"] == of_bundle["run_id"] == "built-run"
    assert len({(tmp_path / f"{name}.zip").read_bytes() for name in "abc"}) == 1
    opened = open_bundle(tmp_path / "a.zip")
    assert opened.names == NAMES
    for name in ("journal.jsonl", "certificate.html", "result.json"):
        assert opened.read(name) == (signed_run / name).read_bytes()


def test_without_a_key_the_signed_seal_that_is_there_is_kept(cli, signed_run, key_file, tmp_path) -> None:
    signed = bundled(cli, signed_run, tmp_path / "a.zip", "--key", key_file)
    kept = bundled(cli, signed_run, tmp_path / "b.zip")
    assert (signed["signed"], kept["signed"]) == (True, True)
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()
    assert bundled(cli, tmp_path / "b.zip", tmp_path / "c.zip")["signed"] is True


def test_a_seal_that_does_not_fit_is_not_kept(cli, signed_run, tmp_path) -> None:
    folder = tmp_path / "run"
    shutil.copytree(signed_run, folder)
    page = folder / "certificate.html"
    page.write_bytes(page.read_bytes().replace(b'"sweeps":30', b'"sweeps":31'))
    assert bundled(cli, folder, tmp_path / "a.zip")["signed"] is False
    other = written(told(sweeps=20), tmp_path / "other")
    shutil.copy(signed_run / "certificate.html", other)
    assert bundled(cli, other, tmp_path / "b.zip")["signed"] is False


def test_an_unsigned_bundle_says_so_and_lands_here(cli, plain_run, tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, _ = cli("bundle", plain_run)
    assert code == 0
    assert "built-run.zip (0." in out
    assert "Not signed" in out
    (tmp_path / "there").mkdir()
    assert cli("bundle", plain_run, "--out", tmp_path / "there", "--for-customer")[0] == 0
    assert (tmp_path / "there" / "built-run-customer.zip").is_file()
    code, out, _ = cli("verify", "built-run.zip")
    assert (code, "Not signed" in out) == (0, True)
    assert bundled(cli, "built-run.zip", tmp_path / "again.zip")["signed"] is False


def test_a_bundle_without_a_certificate_is_bundled_anew(cli, plain_run, key_file, tmp_path) -> None:
    from burnin.cli.outcome import judge
    from burnin.journal.bundle import make_bundle

    outcome = judge(plain_run / "journal.jsonl", keys.load_key(key_file))
    bare = {"journal.jsonl": (plain_run / "journal.jsonl").read_bytes(), "seal.json": outcome.seal}
    (tmp_path / "bare.zip").write_bytes(make_bundle(bare))
    code, out, _ = cli("verify", tmp_path / "bare.zip")
    assert (code, "DIFFERS: certificate.html: found no such file" in out) == (1, True)
    assert bundled(cli, tmp_path / "bare.zip", tmp_path / "b.zip")["signed"] is False


def test_certify_and_export_take_a_bundle(cli, signed_run, key_file, tmp_path) -> None:
    bundled(cli, signed_run, tmp_path / "a.zip", "--key", key_file)
    code, _, err = cli("certify", tmp_path / "a.zip")
    assert (code, "expected --out DIR" in err) == (2, True)
    assert cli("certify", tmp_path / "a.zip", "--out", tmp_path / "o", "--key", key_file)[0] == 0
    assert (tmp_path / "o" / "certificate.html").read_bytes() == (
        signed_run / "certificate.html"
    ).read_bytes()
    assert cli("export", tmp_path / "a.zip")[1].count("\n") == 31


def test_a_customers_copy_leaves_out_what_it_must_and_verifies(cli, signed_run, key_file, tmp_path) -> None:
    whole = bundled(cli, signed_run, tmp_path / "whole.zip", "--key", key_file)
    copy = bundled(cli, signed_run, tmp_path / "copy.zip", "--key", key_file, "--for-customer")
    assert copy["run_id"] == whole["run_id"]
    full, opened = open_bundle(tmp_path / "whole.zip"), open_bundle(tmp_path / "copy.zip")
    assert opened.names == NAMES
    for secret in (MAC, MAC.upper(), DRIVE, CUSTOMER, CUSTOMER.upper()):
        everywhere = [name for name in NAMES if secret.encode() in opened.read(name)]
        assert everywhere == []
    for secret in (MAC, DRIVE, CUSTOMER):
        assert secret.encode() in full.read("journal.jsonl")
    shown = keys.fingerprint(keys.load_key(key_file).public_hex)
    code, out, _ = cli("verify", tmp_path / "copy.zip", "--key", shown)
    assert code == 0
    assert "A customer's copy" in out
    head = read_journal(full.read("journal.jsonl"))[1].head_sha256
    told_copy = json.loads(cli("verify", tmp_path / "copy.zip", "--json")[1])
    assert (told_copy["redacted_from"], told_copy["basis"]) == (head, "journal")
    assert (
        json.loads(opened.read("result.json"))["verdict"] == json.loads(full.read("result.json"))["verdict"]
    )
    assert b"customer&#39;s copy" in opened.read("certificate.html") or b"customer" in opened.read(
        "certificate.html"
    )


def test_the_copy_keeps_every_line_in_its_place(signed_run) -> None:
    with (signed_run / "journal.jsonl").open("rb") as stream:
        before, _ = read_journal(stream)
        stream.seek(0)
        after, integrity = read_journal(redacted_journal(stream))
    assert integrity.trouble == ""
    assert [(line.seq, line.mono_ns, type(line.event)) for line in before] == [
        (line.seq, line.mono_ns, type(line.event)) for line in after
    ]
    changed = [line.seq for line, other in zip(before, after, strict=True) if line.event != other.event]
    assert len(changed) == 4  # opening, inventory, kernel line, remark


def test_short_names_are_left_out_where_they_stand_alone(tmp_path) -> None:
    order = Order(format=1, order="A", customer="J. (M)", remarks="J. (M) asked; J. (M)x did not")
    folder = written(told(order=order), tmp_path / "run")
    with (folder / "journal.jsonl").open("rb") as stream:
        lines, _ = read_journal(redacted_journal(stream))
    kept = lines[0].event.order
    assert kept.customer == "left out"
    assert kept.remarks == "left out asked; J. (M)x did not"
    plain = written(told(order=Order(format=1, order="A", remarks="r")), tmp_path / "none")
    with (plain / "journal.jsonl").open("rb") as stream:
        assert read_journal(redacted_journal(stream))[0][0].event.order.customer == ""


def test_a_copy_that_would_change_the_verdict_is_refused(cli, plain_run, tmp_path, monkeypatch) -> None:
    def wrong(stream):
        return (written(told(faults=1), tmp_path / "wrong") / "journal.jsonl").read_bytes()

    monkeypatch.setattr(bundle_module, "redacted_journal", wrong)
    code, _, err = cli("bundle", plain_run, "--for-customer", "--out", tmp_path / "x.zip")
    assert (code, "would come to 'rejected' instead of 'inconclusive'" in err) == (2, True)
    assert not (tmp_path / "x.zip").exists()


@pytest.mark.parametrize("option", [(), ("--for-customer",)])
def test_unfinished_and_damaged_runs_are_not_bundled(cli, plain_run, tmp_path, option) -> None:
    unfinished = written(told(closed=False), tmp_path / "open")
    code, _, err = cli("bundle", unfinished, "--out", tmp_path / "x.zip", *option)
    assert (code, "never closed" in err) == (2, True)
    damaged = tmp_path / "journal.jsonl"
    data = (plain_run / "journal.jsonl").read_bytes()
    damaged.write_bytes(data + b"more\n")
    code, _, err = cli("bundle", damaged, "--out", tmp_path / "x.zip", *option)
    assert (code, "damaged" in err or "whole journal" in err) == (2, True)
    assert not (tmp_path / "x.zip").exists()


def test_a_copy_of_a_damaged_journal_is_refused(plain_run) -> None:
    import io

    data = (plain_run / "journal.jsonl").read_bytes()
    with pytest.raises(InputError, match="expected a whole journal"):
        redacted_journal(io.BytesIO(data[:-9]))


def test_the_order_is_in_it_as_a_file(cli, plain_run, tmp_path) -> None:
    from burnin.plan.loader import load_order

    bundled(cli, plain_run, tmp_path / "a.zip")
    (tmp_path / "order.toml").write_bytes(open_bundle(tmp_path / "a.zip").read("order.toml"))
    assert load_order(str(tmp_path / "order.toml")) == ORDER


def test_a_changed_bundle_names_the_file_that_was_changed(cli, signed_run, key_file, tmp_path) -> None:
    path = tmp_path / "a.zip"
    bundled(cli, signed_run, path, "--key", key_file)
    good = path.read_bytes()
    offset = good.index(b"result.json") + 60
    path.write_bytes(good[:offset] + bytes((good[offset] ^ 1,)) + good[offset + 1 :])
    code, out, _ = cli("verify", path)
    assert code == 1
    assert "DIFFERS: bundle" in out
    assert "DIFFERS: result.json" in out
    assert cli("certify", path, "--out", tmp_path / "o")[0] == 2
    offset = good.index(b"journal.jsonl") + 200
    path.write_bytes(good[:offset] + bytes((good[offset] ^ 1,)) + good[offset + 1 :])
    assert "DIFFERS: journal.jsonl" in cli("verify", path)[1]
