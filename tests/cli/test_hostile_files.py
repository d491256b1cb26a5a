"""Files made to hurt, given to every command that reads them: one clear message or harmless text, never a traceback."""

from __future__ import annotations

import io
import json
import random
import struct
import zipfile

import pytest
from told_runs import ORDER, rechained, told, written

from burnin.cli import watch as watching
from burnin.cli.main import main
from burnin.cli.toml_text import toml_text
from burnin.journal import bundle as bundling
from burnin.journal.bundle import make_bundle, open_bundle
from burnin.journal.frame import encode_line
from burnin.records.paperwork import Order, Workshop

SCRIPT = "</script></title><script>alert(1)</script><img src=x onerror=alert(1)>{{7*7}}\u202e"
RUN_COMMANDS = ("certify", "verify", "export", "bundle")


def asked(capsys, *arguments):
    """Run a command; return exit code and what it printed, held to the form of a message where it fails."""
    code = main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    if code == 2:
        assert err.startswith("burnin: ")
        assert err.count("burnin: ") == 1
        assert len(err) < 3000
    return code, out, err


def repacked(members, method=zipfile.ZIP_DEFLATED):
    """An archive with a right digest at its end, whatever is in it."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", method) as archive:
        archive.comment = bundling._MARK + b"0" * 64
        for name, data in members:
            archive.writestr(zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0)), data, compress_type=method)
    return remarked(buffer.getvalue()[: -bundling._COMMENT])


def remarked(body: bytes) -> bytes:
    from burnin.records import codec

    return body + bundling._MARK + codec.sha256_hex(body).encode()


@pytest.fixture(scope="session")
def members(plain_run, tmp_path_factory):
    path = tmp_path_factory.mktemp("members") / "a.zip"
    assert main(["bundle", str(plain_run), "--out", str(path)]) == 0
    opened = open_bundle(path)
    return {name: opened.read(name) for name in opened.names}


def bundles(members):
    good = list(members.items())
    bomb = bytes(40 << 20)
    nested = b"[" * 100_000
    return {
        "a path upwards": repacked([("../../evil.toml", b"x"), *good]),
        "an absolute path": repacked([("/tmp/evil", b"x"), *good]),
        "a link's name": repacked([*good[:-1], ("seal.json/../../x", b"")]),
        "a bomb": repacked([(name, bomb if name == "plan.toml" else data) for name, data in good]),
        "a bomb that lies": remarked(
            repacked([(name, bomb if name == "seal.json" else data) for name, data in good])[
                : -bundling._COMMENT
            ].replace(struct.pack("<I", 40 << 20), struct.pack("<I", 1000))
        ),
        "code": repacked([*good, ("sitecustomize.py", b"raise SystemExit")]),
        "deep nesting": make_bundle({**members, "seal.json": nested, "result.json": nested}),
        "no journal in the journal": make_bundle({**members, "journal.jsonl": b"\xff\x00" * 99}),
        "an empty journal": make_bundle({**members, "journal.jsonl": b""}),
        "a seal of numbers": make_bundle({**members, "seal.json": b'{"seal":1e999}'}),
        "half a bundle": make_bundle(members)[:5000],
        "another archive": repacked([("a", b"b")], zipfile.ZIP_STORED),
        "only its beginning": b"PK\x03\x04",
    }


@pytest.mark.parametrize("command", RUN_COMMANDS)
def test_bundles_made_to_hurt(command, members, tmp_path, capsys, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "in").mkdir()
    for name, data in bundles(members).items():
        path = tmp_path / "in" / "b.zip"
        path.write_bytes(data)
        where = {"certify": ("--out", "o"), "bundle": ("--out", "n.zip")}.get(command, ())
        code, out, _ = asked(capsys, command, path, *where)
        harmless = name in {"deep nesting", "a seal of numbers", "a bomb that lies"} and command != "verify"
        assert code == 2 or (code == 1 and "DIFFERS" in out) or harmless, name
    left = {path.name for path in tmp_path.rglob("*")} - {"in", "b.zip", "o", "n.zip", "home"}
    assert left <= {"certificate.html", "result.json"}
    assert not (tmp_path.parent / "evil.toml").exists()


def journals(plain):
    lines = plain.splitlines(keepends=True)
    first = json.loads(lines[0])["event"]

    def again(event):
        return rechained(plain, lambda each: event if each["kind"] == "run_opened" else each)

    return {
        "empty": b"",
        "one line of 10 MB": b"{" + b" " * 10_000_001 + b"}\n",
        "10 MB after the first line": lines[0] + b"x" * 10_000_100,
        "deep nesting": encode_line(b"[" * 50_000, seq=0, mono_ns=0, prev="0" * 64) + b"\n",
        "deep nesting, whole": encode_line(
            b'{"kind":"remark","text":' + b"[" * 9000 + b"]" * 9000 + b"}", seq=0, mono_ns=0, prev="0" * 64
        )
        + b"\n",
        "NaN": plain.replace(b"[60]", b"[NaN]", 1),
        "infinity": plain.replace(b"[60]", b"[Infinity]", 1),
        "a huge number": rechained(
            plain, lambda each: {**each, "v": [1e300]} if each["kind"] == "sweep" else each
        ),
        "no UTF-8": plain.replace(b"Larkspur", b"L\xff\xfespur"),
        "another format": again({**first, "journal_format": 99}),
        "no plan": again({**first, "plan": None}),
        "endless plan": again({**first, "plan": {**first["plan"], "stages": [], "sample_hz": 0}}),
        "plugins": again({**first, "plan": {**first["plan"], "plugins": ["os", "../../x", SCRIPT]}}),
        "not its first line": b"".join(lines[1:]),
        "two runs": plain + plain,
        "zeros": bytes(100_000),
    }


@pytest.mark.parametrize("command", [*RUN_COMMANDS, "watch"])
def test_journals_made_to_hurt(command, plain_run, tmp_path, capsys, monkeypatch) -> None:
    monkeypatch.setattr(watching, "_QUIET_NS", -1)
    plain = (plain_run / "journal.jsonl").read_bytes()
    for name, data in journals(plain).items():
        folder = tmp_path / name.replace(" ", "-")
        folder.mkdir()
        (folder / "journal.jsonl").write_bytes(data)
        where = ("--out", folder / "x.zip") if command == "bundle" else ()
        code, out, err = asked(capsys, command, folder, *where)
        assert code in {0, 1, 2, 3}, (name, out, err)
        if name in {"empty", "zeros", "no plan", "another format", "not its first line", "deep nesting"}:
            assert code == (3 if command == "watch" else 2) or (command, name) == ("watch", "another format")
        if name in {"NaN", "infinity", "no UTF-8"} and command == "verify":
            assert code in {1, 2}, name


@pytest.mark.parametrize("seed", range(4))
def test_random_journals_with_right_checksums(seed, plain_run, tmp_path, capsys) -> None:
    chance = random.Random(seed)
    nasty = [None, -1, 2**63, 1e308, [], {}, "", "\x00", SCRIPT, True, ["a"] * 3, {"a": {"b": []}}]

    def changed(event):
        event = dict(event)
        for key in list(event):
            if key != "kind" and chance.random() < 0.08:
                event[key] = chance.choice(nasty)
        return event

    for number in range(6):
        folder = tmp_path / str(number)
        folder.mkdir()
        data = rechained((plain_run / "journal.jsonl").read_bytes(), changed)
        (folder / "journal.jsonl").write_bytes(data)
        for command in ("certify", "verify", "export"):
            asked(capsys, command, folder)


def test_script_in_every_text_of_order_and_workshop_is_text(tmp_path, capsys) -> None:
    order = Order(
        format=1,
        order=SCRIPT,
        customer=SCRIPT,
        serial=SCRIPT,
        machine=SCRIPT,
        remarks=SCRIPT,
        beyond_ratings=(SCRIPT,),
    )
    workshop = Workshop(name=SCRIPT, address=(SCRIPT,), contact=SCRIPT, signatory=SCRIPT)
    folder = written(told(order=order, workshop=workshop, note=SCRIPT, run_id=SCRIPT), tmp_path / "run")
    assert asked(capsys, "certify", folder)[0] == 0
    page = (folder / "certificate.html").read_bytes()
    assert page.count(b"<script") == page.count(b"</script>") == 3
    assert b"<img" not in page
    assert b"49" not in page.partition(b"<title>")[2].partition(b"</title>")[0]
    code, out, _ = asked(capsys, "verify", folder / "certificate.html")
    assert code == 0
    assert "\u202e" not in out
    assert asked(capsys, "bundle", folder, "--out", tmp_path / "x.zip")[0] == 0
    assert asked(capsys, "verify", tmp_path / "x.zip")[0] == 0


@pytest.mark.parametrize("run_id", ["../../evil", "/tmp/evil", "..", "a/b\\c", "", SCRIPT, "x" * 300, "\x00"])
def test_a_runs_id_names_no_other_place(run_id, tmp_path, capsys, monkeypatch) -> None:
    folder = written(told(run_id=run_id), tmp_path / "in" / "run")
    here = tmp_path / "in" / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    assert asked(capsys, "bundle", folder)[0] == 0
    assert [path.parent for path in tmp_path.rglob("*.zip")] == [here]


def test_text_cannot_steer_the_terminal(plain_run, tmp_path, capsys) -> None:
    stage = "\x1b[2Jsoak\x9b\x07"

    def changed(event):
        return {**event, "name": stage} if event["kind"] in {"stage_started", "stage_ended"} else event

    folder = tmp_path / "run"
    folder.mkdir()
    data = rechained((plain_run / "journal.jsonl").read_bytes(), changed)
    (folder / "journal.jsonl").write_bytes(data.replace(b"matrix", b"ma\x1btrix"))
    for command in ("verify", "certify", "watch", "export"):
        _, out, err = asked(capsys, command, folder)
        assert not {"\x1b", "\x9b", "\x07"} & set(out + err), command
    (folder / "journal.jsonl").write_bytes(data)
    assert "\ufffd[2Jsoak" in asked(capsys, "watch", folder)[1]


PAPERS = {
    "not TOML": b"[[[",
    "no UTF-8": b'format = 1\norder = "\xff"\n',
    "deep nesting": b"a = " + b"[" * 5000 + b"]" * 5000,
    "NaN": b'format = 1\norder = "a"\n[[parts]]\npart = "memory"\ntext = "t"\nsize_gb = nan\n',
    "infinity": b'format = 1\norder = "a"\n[targets]\ncpu_power_w = inf\n',
    "a huge number": b'format = 1\norder = "a"\n[[parts]]\npart = "m"\ntext = "t"\ncount = 99999999999999999999999\n',
    "unknown keys": b'format = 1\norder = "a"\nrun = "rm -rf /"\n',
    "10 MB": b'format = 1\norder = "' + b"x" * 10_000_000 + b'"\n',
    "zeros": bytes(1000),
    "nothing": b"",
}


@pytest.mark.parametrize("option", ["--order", "--plan", "--checklist", "--workshop"])
@pytest.mark.parametrize("name", PAPERS)
def test_papers_made_to_hurt(option, name, tmp_path, capsys) -> None:
    path = tmp_path / "paper.toml"
    path.write_bytes(PAPERS[name])
    plan = () if option == "--plan" else ("--plan", tmp_path / "no-such-plan.toml")
    code, _, err = asked(capsys, "accept", "--yes", "--out", tmp_path / "runs", option, path, *plan)
    assert code == 2
    assert "paper.toml" in err or "no-such-plan" in err
    assert not (tmp_path / "runs").exists()
    if option in {"--order", "--checklist", "--workshop"}:
        code, _, err = asked(capsys, "inspect", option, path, "--tree", tmp_path / "none")
        assert code == 2


def test_order_text_is_read_back_as_it_was(tmp_path) -> None:
    from burnin.plan.loader import load_order

    path = tmp_path / "order.toml"
    hostile = Order(format=1, order=SCRIPT, remarks='"""\n\\')
    path.write_bytes(toml_text(hostile))
    assert load_order(str(path)) == hostile
    assert hostile != ORDER
