"""From values to one HTML file: nothing outside it is needed, the same run gives the same bytes anywhere."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from burnin.records.findings import Finding, Verdict
from burnin.records.view import RunView
from burnin.report.page import Page, certificate_page
from burnin.report.templates import template_folder
from burnin.report.words import css_string, shortened, shown_text

_LONGEST_FOOTER: Final = 64
_LONGEST_WORD: Final = 26
_PART: Final = 12
_WORDS: Final = re.compile(r"\s+|\S+")


def render_certificate(
    view: RunView, findings: Sequence[Finding], verdict: Verdict, *, signer: str = ""
) -> bytes:
    """Return the certificate of a run as one self-contained HTML file, UTF-8.

    It ends in two empty places for data: one for the result, one for the seal, which is made after the page.

    Args:
        view: The run.
        findings: All judgements.
        verdict: What they fold to.
        signer: Fingerprint of the key that will sign the seal, as printed; empty for none.
    """
    return render_page(certificate_page(view, findings, verdict, signer=signer))


def render_page(page: Page) -> bytes:
    """Return a certificate's values as HTML."""
    return render_template(
        "certificate.html.j2", f"Run {page.head.run_id}", rehearsal=page.head.rehearsal, page=page
    )


def render_template(template: str, footer: str, *, rehearsal: str, page: object) -> bytes:
    """Return a page's values as HTML; ``footer`` and ``rehearsal`` stand on every printed sheet.

    Style and script stand in the file; a content security policy names their digests, so that nothing else can run
    or load even if markup slipped in.
    """
    folder = template_folder()
    environment = _environment(folder)
    style = _plain_file(environment, "certificate.css") + _page_footer(footer, rehearsal)
    script = _plain_file(environment, "certificate.js")
    text = environment.get_template(template).render(
        page=page,
        style=Markup(style),  # noqa: S704  # our own file and an escaped CSS string
        script=Markup(script),  # noqa: S704  # our own file
        policy=_policy(style, script),
    )
    return text.encode("utf-8", "replace")


def _plain_file(environment: Environment, name: str) -> str:
    """Return a file of the templates folder as it stands: style and script are no templates."""
    assert environment.loader is not None
    return environment.loader.get_source(environment, name)[0]


def _environment(folder: Path) -> Environment:
    environment = Environment(
        loader=FileSystemLoader(folder),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        newline_sequence="\n",
    )
    environment.filters["breakable"] = breakable
    return environment


def breakable(text: str) -> Markup:
    """Return ``text`` safe to show and escaped, with places to break the line inside words too long for a table cell."""
    return Markup("").join(
        Markup("<wbr>").join(piece) if isinstance(piece, list) else piece
        for piece in _pieces(shown_text(text))
    )


def _pieces(text: str) -> Iterator[str | list[str]]:
    """Yield the text in pieces: as it stands, or as a list of parts of a word that is too long."""
    for word in _WORDS.findall(text):
        if len(word) <= _LONGEST_WORD:
            yield word
        else:
            yield [word[start : start + _PART] for start in range(0, len(word), _PART)]


def _page_footer(footer: str, rehearsal: str) -> str:
    """Return the margin boxes of every printed page: what it is of, "page n of m", and the mark of a rehearsal."""
    boxes = [
        f"@bottom-left {{ content: {css_string(shortened(footer, _LONGEST_FOOTER))}; }}",
        '@bottom-right { content: "Page " counter(page) " of " counter(pages); }',
    ]
    if rehearsal:
        boxes.append(f"@top-center {{ content: {css_string(rehearsal)}; }}")
    return "@page {\n" + "\n".join(boxes) + "\n}\n"


def _policy(style: str, script: str) -> str:
    return (
        f"default-src 'none'; img-src data:; style-src {_digest(style)}; script-src {_digest(script)}; "
        "base-uri 'none'; form-action 'none'"
    )


def _digest(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode('ascii')}'"
