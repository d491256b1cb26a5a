"""Coverage-guided fuzzing of every parser: ``PYTHONPATH=. python tests/fuzz/fuzz_parsers.py [--seconds 60] [--seed 1]``.

Each parser gets an equal share of the time. Inputs start from real cases, are changed at random, and are kept when they reach a
line or a jump between lines of ``burnin/parse`` not reached before. Anything but a record or a ``ParseError`` is a bug: it is
printed with its input, and the exit code is 1. The first target is a parser with a planted bug: not finding that one is exit
code 2, because a fuzzer that finds nothing proves nothing.

Where ``atheris`` is installed, ``--engine atheris`` runs the same targets under it instead.
"""

from __future__ import annotations

import argparse
import importlib.util
import random
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import FrameType, FunctionType
from typing import Any

from burnin.errors import ParseError
from burnin.parse.edid_cta import parse_cta_block

_CASES = Path(__file__).parents[1] / "parse" / "test_any_bytes.py"
PLANTED = "planted bug"
Parser = Callable[[bytes], object]


def planted(data: bytes) -> object:
    """A parser with a bug behind three conditions: a vendor block of HDMI with a latency flag reads past its end."""
    parsed = parse_cta_block(data[128:256])
    if parsed.hdmi and parsed.video_codes and data[128 + 3] & 0x0F == 0x0D:
        return bytes(3)[parsed.revision + 9]
    return parsed


def targets() -> dict[str, tuple[list[bytes], Parser]]:
    """The planted bug, then the parsers and cases of the property tests."""
    spec = importlib.util.spec_from_file_location("any_bytes", _CASES)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    found: dict[str, tuple[list[bytes], Parser]] = {PLANTED: (module.SEEDS["edid"], planted)}
    for name, (group, parse) in module.PARSERS.items():
        found[name] = (module.SEEDS[group], parse)
    return found


class Coverage:
    """Jumps between lines of the parsers, as (file, from, to)."""

    def __init__(self) -> None:
        self.seen: set[tuple[str, int, int]] = set()
        self.fresh = 0

    def _line(self, frame: FrameType, event: str, _arg: object) -> Any:
        last = -1

        def local(inner: FrameType, what: str, _value: object) -> Any:
            nonlocal last
            if what == "line":
                jump = (inner.f_code.co_filename, last, inner.f_lineno)
                last = inner.f_lineno
                if jump not in self.seen:
                    self.seen.add(jump)
                    self.fresh += 1
            return local

        path = frame.f_code.co_filename
        wanted = event == "call" and ("burnin/parse/" in path or path.endswith("fuzz_parsers.py"))
        return local if wanted else None

    def run(self, parse: Parser, data: bytes) -> tuple[BaseException | None, int]:
        """Return what was raised besides a ParseError, and how many jumps were new."""
        self.fresh = 0
        sys.settrace(self._line)
        try:
            parse(data)
        except ParseError:
            pass
        except Exception as error:  # noqa: BLE001 - whatever a parser raises is what is looked for
            return error, self.fresh
        finally:
            sys.settrace(None)
        return None, self.fresh


def mutate(data: bytes, pool: list[bytes], dice: random.Random) -> bytes:
    """Return a changed copy: flips, new bytes, insertions, deletions, pieces of another input."""
    changed = bytearray(data or b"\0")
    for _ in range(dice.choice((1, 1, 2, 4, 8))):
        place = dice.randrange(len(changed)) if changed else 0
        match dice.randrange(6):
            case 0 if changed:
                changed[place] ^= 1 << dice.randrange(8)
            case 1 if changed:
                changed[place] = dice.choice((0, 1, 4, 127, 128, 255, dice.randrange(256)))
            case 2:
                changed[place:place] = dice.randbytes(dice.randrange(1, 4))
            case 3:
                del changed[place : place + dice.randrange(1, 9)]
            case 4:
                other = dice.choice(pool)
                start = dice.randrange(len(other) + 1)
                changed[place : place + 16] = other[start : start + 16]
            case _:
                changed = changed[:place]
    return bytes(changed[:4096])


def fuzz(name: str, seeds: list[bytes], parse: Parser, *, seconds: float, seed: int) -> BaseException | None:
    """Fuzz one parser and print executions and coverage; returns the first bug."""
    coverage, dice, pool = Coverage(), random.Random(seed), list(seeds)
    runs, end, bug = 0, time.monotonic() + seconds, None
    queue = list(seeds)
    while time.monotonic() < end and bug is None:
        data = queue.pop() if queue else mutate(dice.choice(pool), pool, dice)
        bug, fresh = coverage.run(parse, data)
        runs += 1
        if fresh:
            pool.append(data)
        if bug is not None:
            print(f"{name}: {type(bug).__name__}: {bug} on {len(data)} bytes: {data.hex()}")
    print(f"{name}: {runs} executions, {len(coverage.seen)} jumps covered, {len(pool)} inputs kept")
    return bug


def fuzz_with_atheris(name: str, seeds: list[bytes], parse: Parser, *, seconds: float, seed: int) -> None:
    """Fuzz one parser under atheris; does not return (the library ends the process)."""
    import tempfile

    import atheris

    for module in [item for key, item in sys.modules.items() if key.startswith("burnin.parse.")]:
        for item in vars(module).values():
            if isinstance(item, FunctionType) and item.__module__ == module.__name__:
                atheris.instrument_func(item)
    atheris.instrument_func(planted)

    def one(data: bytes) -> None:
        try:
            parse(data)
        except ParseError:
            return

    folder = tempfile.mkdtemp()
    for number, case in enumerate(seeds):
        Path(folder, str(number)).write_bytes(case)
    options = [
        f"-max_total_time={max(1, int(seconds))}",
        f"-seed={seed}",
        "-print_final_stats=1",
        "-artifact_prefix=/tmp/",
    ]
    print(f"{name}:", flush=True)
    atheris.Setup([sys.argv[0], *options, folder], one)
    atheris.Fuzz()


def main() -> int:
    """Run all targets; 0 clean, 1 a bug in a parser, 2 the planted bug was not found."""
    ask = argparse.ArgumentParser(description="Fuzz every parser.")
    ask.add_argument("--seconds", type=float, default=60.0)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--engine", choices=("own", "atheris"), default="own")
    ask.add_argument("--target", default="")
    told = ask.parse_args()
    all_targets = targets()
    share = told.seconds / len(all_targets)
    if told.engine == "atheris" and told.target:
        seeds, parse = all_targets[told.target]
        fuzz_with_atheris(told.target, seeds, parse, seconds=share, seed=told.seed)
    bugs = set()
    for name, (seeds, parse) in all_targets.items():
        if told.target not in {"", name}:
            continue
        if told.engine == "atheris":
            command = [sys.executable, *sys.argv, "--target", name]
            failed = subprocess.run(command, check=False).returncode != 0
        else:
            limit = max(share, 20.0) if name == PLANTED else share
            failed = fuzz(name, seeds, parse, seconds=limit, seed=told.seed) is not None
        bugs |= {name} if failed else set()
    print(
        f"planted bug {'found' if PLANTED in bugs else 'NOT found'}; bugs in parsers: {sorted(bugs - {PLANTED}) or 'none'}"
    )
    return 1 if bugs - {PLANTED} else 0 if PLANTED in bugs else 2


if __name__ == "__main__":
    raise SystemExit(main())
