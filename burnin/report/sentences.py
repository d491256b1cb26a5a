"""The sentence for each finding: templates of the rules, filled in; plain slug and values where one is missing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from string import Formatter
from typing import Any, Final

from burnin.records.findings import Finding
from burnin.report.figures import significant, unit_sign
from burnin.report.sentences_found import SENTENCES as FOUND
from burnin.report.sentences_graphics import SENTENCES as GRAPHICS
from burnin.report.sentences_run import SENTENCES as RUN
from burnin.report.words import plain_name, shown_text

SENTENCES: Final[dict[str, str]] = {**RUN, **FOUND, **GRAPHICS}


class _Sentence(Formatter):
    """Fills a template from a finding's values; names only, no attributes or indices."""

    def get_field(self, field_name: str, args: Sequence[Any], kwargs: Mapping[str, Any]) -> tuple[Any, str]:
        return self.get_value(field_name, args, kwargs), field_name

    def format_field(self, value: Any, format_spec: str) -> str:
        if value is None:
            return "not measured"
        if isinstance(value, bool | str):
            return _word(value)
        try:
            return format(value, format_spec).replace("-", "\u2212") if format_spec else _word(value)
        except ValueError:
            return _word(value)


def _word(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return significant(value)
    return shown_text(str(value))


def sentence(finding: Finding, templates: Mapping[str, str] = SENTENCES) -> str:
    """Return the finding in a plain sentence; slug and values where no template fits. Never raises.

    A template for ``*/slug`` serves every criterion that has none of its own.

    A template may name every key of the finding's ``values`` and ``subject``, ``stage``, ``observed``, ``limit``,
    ``unit``, ``uncertainty`` and ``margin``.
    """
    template = templates.get(f"{finding.criterion}/{finding.slug}") or templates.get(f"*/{finding.slug}")
    if template is None:
        return _plain(finding)
    try:
        text = _Sentence().vformat(template, (), _fields(finding))
    except (KeyError, IndexError, ValueError):
        return _plain(finding)
    safe = shown_text(text)
    return safe[:1].upper() + safe[1:]


def _fields(finding: Finding) -> dict[str, Any]:
    own = {
        "subject": finding.subject or None,
        "stage": finding.stage or None,
        "observed": finding.observed,
        "limit": finding.limit,
        "unit": unit_sign(finding.unit) or None,
        "uncertainty": finding.uncertainty,
        "margin": finding.margin,
    }
    words = {"criterion": plain_name(finding.criterion), "subject": "the run", "stage": "the run", "unit": ""}
    nothing = {name: words.get(name) for name in own}
    return {
        **words,
        **nothing,
        **finding.values,
        **{name: value for name, value in own.items() if value is not None},
    }


def _plain(finding: Finding) -> str:
    head = f"{plain_name(finding.criterion)}: {plain_name(finding.slug)}"
    about = f" ({shown_text(finding.subject)})" if finding.subject else ""
    values = ", ".join(f"{plain_name(key)} {_word(value)}" for key, value in sorted(finding.values.items()))
    return f"{head}{about}{'; ' + values if values else ''}."
