"""Write burnin/calc/sha256_known.py: the ends of the stored chains, by the second implementation alone.

Run by hand: ``python tests/loads/make_digest_references.py``. The library that the load exercises takes no part.
"""

from __future__ import annotations

from pathlib import Path

from burnin.calc.sha256_plain import chain_start, links_of

CHAINS, LINKS = 32, 1000
HEAD = '''"""Ends of the stored SHA-256 chains. Written by tests/loads/make_digest_references.py; do not edit by hand.

Chain ``k`` starts from ``chain_start(0, k)``; each link is the digest of the one before.
"""

from __future__ import annotations

from typing import Final

LINKS: Final = {links}
"""Links of each chain."""

ENDS: Final = (
{ends}
)
"""Last link of each chain."""
'''


def main() -> None:
    links = b"".join(chain_start(0, index) for index in range(CHAINS))
    for _ in range(LINKS):
        links = links_of(links)
    ends = "\n".join(f'    "{links[32 * k : 32 * k + 32].hex()}",' for k in range(CHAINS))
    target = Path(__file__).parents[2] / "burnin" / "calc" / "sha256_known.py"
    target.write_text(HEAD.format(links=LINKS, ends=ends), encoding="utf-8")


if __name__ == "__main__":
    main()
