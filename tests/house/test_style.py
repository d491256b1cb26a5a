"""House rules that no linter checks."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MODULES = sorted((ROOT / "burnin").rglob("*.py"))
MOST_LINES = 400
MOST_FUNCTION_LINES = 50


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_module_and_its_functions_stay_readable(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count("\n") <= MOST_LINES
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef):
            length = (node.end_lineno or 0) - node.lineno + 1
            assert length <= MOST_FUNCTION_LINES, f"{node.name} has {length} lines"


def test_only_discovery_imports_by_name() -> None:
    users = [path.name for path in MODULES if "import_module" in path.read_text(encoding="utf-8")]
    assert users == ["discovery.py"]


def test_no_module_is_a_drawer_for_everything() -> None:
    names = {path.stem for path in MODULES}
    assert not names & {"utils", "util", "helpers", "helper", "common", "manager", "misc"}


def test_every_error_slug_has_its_entry() -> None:
    page = (ROOT / "docs" / "messages.md").read_text(encoding="utf-8")
    slugs = set()
    for path in MODULES:
        slugs |= set(re.findall(r'slug="([a-z0-9_-]+)"', _errors_only(path)))
    missing = sorted(slug for slug in slugs if f"`{slug}`" not in page)
    assert missing == []


def _errors_only(path: Path) -> str:
    """Return the source of calls that make one of our errors."""
    text = path.read_text(encoding="utf-8")
    names = {"BurninError", "InputError", "InputProblems"}
    calls = [
        ast.get_source_segment(text, node) or ""
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in names
    ]
    return "\n".join(calls)


def test_the_top_level_holds_nothing_else() -> None:
    allowed = {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "LICENSE",
        "burnin",
        "reports_templates",
        "tests",
        "docs",
    }
    import subprocess

    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    names = {line.split("/")[0] for line in listed.stdout.splitlines()}
    assert {name for name in names if not name.startswith(".")} <= allowed
