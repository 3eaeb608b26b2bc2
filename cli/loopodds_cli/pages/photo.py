"""The pages of ``loopodds photo``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from loopodds import percent, photo_likelihoods, printable, spaced
from rich.text import Text

from loopodds_cli.screen.page import FAINT, Cell, Page

if TYPE_CHECKING:
    from loopodds import Knowledge, PhotoLearning, Reading

NOT_VALIDATED = (
    "Estimated from rendered pictures: nothing here is validated on real samples. "
    "`loopodds help sample-photos` says what to check first."
)
LEARNT_ONLY = (
    "Told by the photos of this folder only; how a number comes of a photo is not validated on "
    "real samples."
)
NO_EVIDENCE = "this photo is no evidence"


def reading_json(
    image: str, reading: Reading, knowledge: Knowledge, entered: int | None
) -> dict[str, Any]:
    """Everything that a reading says, as plain data."""
    return {
        "file": image,
        **reading.as_json(),
        "likelihoods": photo_likelihoods(reading, knowledge),
        "entered": entered,
        "validated": False,
        "note": NOT_VALIDATED,
    }


def print_reading(name: str, reading: Reading, knowledge: Knowledge) -> None:
    """What was read, or every reason why it is no evidence."""
    page = Page()
    found = reading.measured
    if not reading.usable or found is None:
        page.headline(NO_EVIDENCE, printable(name))
        for refused in reading.refusals:
            page.marked("!", refused.problem)
            page.line(refused.remedy, indent=5)
        page.aside(NOT_VALIDATED)
        return
    page.headline(f"{found.place} on the oil scale", printable(name))
    page.line("")
    lab = ", ".join(f"{v:.0f}" for v in found.lab)
    green = f"{found.green:.0f} (± {found.green_doubt:.0f}) in a*, at 10 mm"
    glass = reading.glass
    assert glass is not None
    page.rows(
        [
            ("ASTM D1500 (ISO 2049)", f"{found.interval} in nine of ten"),
            ("Gardner (ISO 4630)", f"{found.gardner:.0f}"),
            ("greenness", green if reading.green_seen else "cannot be seen here"),
            ("L*, a*, b* in this glass", lab),
            ("path", f"{glass.path_mm:g} mm (± {glass.error_mm:g})"),
        ]
    )
    for finding, weights in photo_likelihoods(reading, knowledge).items():
        page.heading(knowledge.node(finding).title, "how likely the picture is with each word")
        whole = sum(weights.values())
        rows: list[Sequence[Cell]] = [
            (spaced(word), percent(weight / whole), page.bar(weight / whole))
            for word, weight in weights.items()
        ]
        page.rows(rows, right=[1])
    page.line("")
    page.aside(NOT_VALIDATED)


def print_photo_learning(result: PhotoLearning) -> None:
    """What moved, and whether it was worth it."""
    page = Page()
    page.headline(f"{result.used} photos learnt from", f"{len(result.refused)} are no evidence")
    page.line("")
    page.rows([("knowledge", str(result.out) if result.written else "nothing written")])
    page.heading("Photos kept back", "log share of the right word, before and after")
    page.rows(
        [
            (spaced(name), f"{gain.before:.3f} to {gain.after:.3f}", f"{gain.gain:+.3f} "
             f"({gain.low:+.3f} to {gain.high:+.3f})", f"{gain.rows} photos")
            for name, gain in result.scores.items()
        ]
    )  # fmt: skip
    for name, link in result.before.items():
        page.heading(spaced(name).capitalize(), f"places on {link.title}")
        after = result.after[name].states
        page.rows(
            [
                (spaced(word), f"{old.mean:.1f} ± {old.spread:.1f}",
                 Text("to", FAINT), f"{after[word].mean:.1f} ± {after[word].spread:.1f}",
                 f"weight {after[word].weight:.0f}")
                for word, old in link.states.items()
            ]
        )  # fmt: skip
    page.listed("No evidence", "!", [printable(f"{f}: {why}") for f, why in result.refused.items()])
    page.line("")
    page.aside(NOT_VALIDATED if not result.written else LEARNT_ONLY)
