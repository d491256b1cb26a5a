"""Where the templates are: the one function of this room that looks at files."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from burnin.errors import BurninError

_NAME: Final = "reports_templates"


def template_folder() -> Path:
    """Return the folder of the templates: inside the installed package, or beside the package in a checkout.

    Raises:
        BurninError: neither is there.
    """
    package = Path(__file__).resolve().parent.parent
    for folder in (package / _NAME, package.parent / _NAME):
        if (folder / "certificate.html.j2").is_file():
            return folder
    raise BurninError(
        f"{package / _NAME}: found no templates; expected certificate.html.j2 there or in {package.parent / _NAME}",
        slug="templates-missing",
        hint="Install the package again; in a checkout, restore the folder reports_templates.",
    )
