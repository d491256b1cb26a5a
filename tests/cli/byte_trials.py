"""Changes single bytes of sealed documents and asks ``burnin verify``; used by the tests and by the full set."""

from __future__ import annotations

import contextlib
import io
import random
import shutil
import sys
import tempfile
from collections import Counter
from pathlib import Path

from burnin.cli.main import main as burnin

KINDS = (
    "certificate alone",
    "certificate beside its journal",
    "signed journal",
    "bundle",
    "result beside all",
)


def verified(path: Path, *arguments: str) -> tuple[int, str]:
    """Return exit code and everything printed."""
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        code = burnin(["verify", str(path), *arguments])
    return code, said.getvalue()


class Trials:
    """Copies of a signed run, in which single bytes are changed.

    Args:
        folder: A signed run: journal, certificate, result.
        bundle: Its bundle.
        base: An empty folder.
    """

    def __init__(self, folder: Path, bundle: Path, base: Path) -> None:
        self._files = {}
        for kind, place in zip(KINDS, ("alone", "beside", "journal", "bundle", "result"), strict=True):
            where = base / place
            where.mkdir()
            if kind == "certificate alone":
                shutil.copy(folder / "certificate.html", where)
            elif kind == "bundle":
                shutil.copy(bundle, where / "run.zip")
            else:
                for name in ("journal.jsonl", "certificate.html", "result.json"):
                    shutil.copy(folder / name, where)
            target = {
                "signed journal": "journal.jsonl",
                "bundle": "run.zip",
                "result beside all": "result.json",
            }
            self._files[kind] = where / target.get(kind, "certificate.html")

    def unchanged(self) -> dict[str, tuple[int, str]]:
        """Return what is said of each kind before anything is changed."""
        return {kind: verified(path) for kind, path in self._files.items()}

    def change(self, kind: str, chance: random.Random) -> tuple[int, str, str]:
        """Change one byte; return exit code, what was said, and which byte it was."""
        path = self._files[kind]
        good = path.read_bytes()
        offset = chance.randrange(len(good))
        value = chance.choice([each for each in range(256) if each != good[offset]])
        path.write_bytes(good[:offset] + bytes((value,)) + good[offset + 1 :])
        try:
            code, said = verified(path)
        finally:
            path.write_bytes(good)
        return code, said, f"byte {offset} of {len(good)}: {good[offset]} became {value}"


def main(count: int) -> int:
    """Try ``count`` changes; print how many were found, and how many named with a place."""
    sys.path.insert(0, str(Path(__file__).parent))
    from told_runs import told, written

    from burnin.journal.keys import create_key

    chance = random.Random(1)
    with tempfile.TemporaryDirectory() as name:
        base = Path(name)
        folder = written(told(), base / "runs" / "built-run")
        create_key(base / "key.pem")
        for arguments in (["certify"], ["bundle", "--out", str(base / "run.zip")]):
            with contextlib.redirect_stdout(io.StringIO()):
                assert (
                    burnin([arguments[0], str(folder), "--key", str(base / "key.pem"), *arguments[1:]]) == 0
                )
        (base / "trials").mkdir()
        trials = Trials(folder, base / "run.zip", base / "trials")
        assert all(code == 0 for code, _ in trials.unchanged().values())
        codes: dict[str, Counter[int]] = {kind: Counter() for kind in KINDS}
        missed = []
        for number in range(count):
            kind = KINDS[number % len(KINDS)]
            code, said, where = trials.change(kind, chance)
            codes[kind][code] += 1
            if code not in {1, 2} or not ("DIFFERS: " in said or said.startswith("burnin: ")):
                missed.append(f"{kind}: {where}: exit code {code}: {said}")
    for kind, found in codes.items():
        print(
            f"{kind}: {found.total()} changed bytes, {found[1]} named as changes, {found[2]} refused as no such file"
        )
    print(f"{count} changed bytes, {len(missed)} missed")
    print("\n".join(missed))
    return int(bool(missed))


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000))
