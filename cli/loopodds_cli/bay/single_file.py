"""The page as one file: styles, scripts and all that it carries stand in it."""

from __future__ import annotations

import base64
import hashlib
import json
from importlib import resources
from typing import Any

from jinja2 import Environment, PackageLoader

SCRIPTS = (
    "engine.js", "triangulation.js", "repaired.js", "evidence.js", "sound.js", "remarks.js",
    "rules.js", "choice.js", "outlooks.js", "replay.js", "store.js", "case_file.js", "draw.js",
    "screens.js", "sheets.js", "work.js", "classroom.js", "page.js",
)  # fmt: skip
STYLES = ("page.css", "classroom.css")
"""In the order in which they build on each other."""


def script_text() -> str:
    """All scripts as one."""
    here = resources.files("loopodds_cli.bay")
    return "\n".join(here.joinpath(name).read_text(encoding="utf-8") for name in SCRIPTS)


def policy(script: str, style: str) -> str:
    """What a browser may do on this page: this script, this style, its own server, nothing else."""
    return (
        f"default-src 'none'; script-src {_hashed(script)}; style-src {_hashed(style)}; "
        "img-src blob: data:; connect-src 'self'; base-uri 'none'; form-action 'none'"
    )


def _hashed(text: str) -> str:
    digest = hashlib.sha256(text.encode()).digest()
    return f"'sha256-{base64.b64encode(digest).decode()}'"


def page(carried: str, **settings: Any) -> str:
    """The whole page.

    Args:
        carried: What it carries, as text.
        settings: What it should know about where it is used: ``server`` and ``paired``, and
            ``whatif``, the car of which a class asks what if, in place of a case.
    """
    environment = Environment(loader=PackageLoader("loopodds_cli.bay", ""), autoescape=True)
    here = resources.files("loopodds_cli.bay")
    style = "\n".join(here.joinpath(name).read_text(encoding="utf-8") for name in STYLES)
    script = script_text()
    return environment.get_template("page.html").render(
        style=style,
        script=script,
        policy=policy(script, style),
        carried=carried,
        # a name is anybody's text, and must not end the script that it stands in
        settings=json.dumps(settings).replace("<", "\\u003c"),
    )
