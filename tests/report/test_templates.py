from __future__ import annotations

import pytest

from burnin.errors import BurninError
from burnin.report import templates


def laid_out(tmp_path, monkeypatch, where):
    module = tmp_path / "burnin" / "report" / "templates.py"
    module.parent.mkdir(parents=True)
    module.touch()
    monkeypatch.setattr(templates, "__file__", str(module))
    if where:
        folder = tmp_path / where
        folder.mkdir(parents=True)
        (folder / "certificate.html.j2").touch()
    return tmp_path


def test_a_checkout_has_the_templates_beside_the_package():
    assert (templates.template_folder() / "sections" / "head.html.j2").is_file()


@pytest.mark.parametrize("where", ["burnin/reports_templates", "reports_templates"])
def test_templates_are_found_inside_the_package_or_beside_it(tmp_path, monkeypatch, where):
    root = laid_out(tmp_path, monkeypatch, where)
    assert templates.template_folder() == root / where


def test_missing_templates_are_an_error_that_says_what_to_do(tmp_path, monkeypatch):
    laid_out(tmp_path, monkeypatch, "")
    with pytest.raises(BurninError, match="expected certificate") as caught:
        templates.template_folder()
    assert caught.value.slug == "templates-missing"
    assert "restore the folder" in caught.value.hint
