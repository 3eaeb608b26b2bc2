"""What many tests ask of, worked out once in a test process."""

from __future__ import annotations

import subprocess
import sys
from contextlib import redirect_stdout
from functools import cache
from io import StringIO

from loopodds.advice.assessment import Assessment, assess
from loopodds.casebook.sources import read_case
from loopodds.diagnosis.model import Model
from loopodds_cli.pages.assess import print_assessment
from loopodds_cli.pages.next import print_next
from loopodds_cli.pages.plan import print_plan

CONTEXT = {
    "setting": "complaint",
    "expansion": "TXV",
    "compressor": "fixed",
    "refrigerant": "R134a",
    "weather": "warm",
}
"""A car of common make-up with a complaint, on a warm day."""
TWELVE_WORDS = (
    "sample_darkening", "sample_greenness", "sample_cloudiness", "sample_bubbles", "sample_specks",
    "sample_shimmer", "sample_foam", "sample_layers", "line_bubbles", "cooling", "oily_dirt",
    "moisture_indicator",
)  # fmt: skip
"""Columns of an archive that has words alone."""
PAGES = {"assess": print_assessment, "next": print_next, "plan": print_plan}


def loaded_after(code: str) -> set[str]:
    """Modules that a fresh interpreter has loaded once it has run some code."""
    program = f"import sys; {code}; print(*sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    return {*done.stdout.split()}


@cache
def shipped() -> Model:
    """The shipped knowledge; each context is compiled when a test first meets it."""
    return Model()


@cache
def assessed(case: str) -> Assessment:
    """A shipped case, such as ``@wet_loop``."""
    return assess(read_case(case, shipped().knowledge), shipped())


@cache
def page(command: str, case: str) -> str:
    """What a command prints of a shipped case, as into a pipe."""
    with redirect_stdout(StringIO()) as printed:
        PAGES[command](assessed(case))
    return printed.getvalue()


def luminance(colour: str) -> float:
    """Relative luminance of sRGB (IEC 61966-2-1)."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
