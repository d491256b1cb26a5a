"""Every fault at every operation, alone and in pairs, with more damage: ``python tests/journal/full_fault_loops.py``.

Prints one line per loop and ends with exit code 1 at the first illegal state.
"""

from __future__ import annotations

import sys
import time

from burnin.testing import storage_trials as trials

ALL = frozenset()
WRITES = frozenset({"write"})
SYNCS = frozenset({"sync"})
KINDS = ("io", "short", "full", "read_only")


def loops():
    for kind in (*KINDS, "stop"):
        for persistent in (False, True):
            for name, on in (("any operation", ALL), ("write", WRITES), ("sync", SYNCS)):
                yield (
                    f"writer: {kind}, {name}, persistent {persistent}",
                    lambda tally, k=kind, o=on, p=persistent: trials.try_writer(
                        k, o, persistent=p, seeds=50, tally=tally
                    ),
                )
            yield (
                f"recovery: {kind}, persistent {persistent}",
                lambda tally, k=kind, p=persistent: trials.try_recovery(
                    k, persistent=p, seeds=50, tally=tally
                ),
            )
    for kind in KINDS:
        for persistent in (False, True):
            yield (
                f"writer: {kind} then killed, persistent {persistent}",
                lambda tally, k=kind, p=persistent: trials.try_fault_then_kill(
                    k, ALL, persistent=p, tally=tally
                ),
            )
    yield "full disk at every size", lambda tally: trials.try_full_disk(tally, range(3_000, 24_000, 7))
    yield "cut at every byte", trials.try_cuts
    yield "every bit flipped", lambda tally: trials.try_flips(range(8), tally)


def main() -> int:
    tried = states = 0
    for name, loop in loops():
        tally = trials.Tally()
        start = time.monotonic()
        try:
            loop(tally)
        except trials.IllegalState as illegal:
            print(f"{name}: ILLEGAL STATE after {tally.tried} faults: {illegal}")
            return 1
        tried += tally.tried
        states += len(tally.states)
        print(f"{name}: {tally} ({time.monotonic() - start:.1f} s)", flush=True)
    print(f"in all: {tried} faults tried, {states} states reached, 0 illegal")
    return 0


if __name__ == "__main__":
    sys.exit(main())
