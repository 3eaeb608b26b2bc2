"""The page at the car as a class sees it: large, about one car of which it asks what if."""

from __future__ import annotations

from typing import Any

from loopodds import UNSAFE_NOTE, Inspection, Model, as_text, carried, load_prices, observations_of

from loopodds_cli.bay.single_file import page

STATED = {
    "vehicle": {
        "refrigerant": "R134a",
        "expansion": "TXV",
        "compressor": "fixed",
        "nameplate_charge": "500 g",
        "nameplate_oil": "150 g",
    },
    "conditions": {"setting": "complaint", "ambient": "25 degC", "humidity": "50 %"},
}
"""What the page assumes of a car as long as nothing else is said."""
SECTIONS = ("vehicle", "conditions", "history", "findings", "readings", "confirmed")


def class_page(model: Model, start: Inspection | None = None, prices: str | None = None) -> str:
    """The whole page, which needs nothing else from anywhere.

    It opens with the car ``start``, or one of common make-up with nothing seen.
    """
    name = start.name if start else "a car nobody has looked at"
    if model.knowledge.unsafe:
        name = f"{name} - {UNSAFE_NOTE}"
    content = as_text(carried(model, load_prices(prices, model.knowledge)))
    asked = {"name": name, "start": sections_of_start(start)}
    return page(content, server=False, paired=False, whatif=asked)


def sections_of_start(start: Inspection | None) -> dict[str, dict[str, Any]]:
    """The car to begin with as sections, what is not stated assumed."""
    sections: dict[str, dict[str, Any]] = {name: {**STATED.get(name, {})} for name in SECTIONS}
    for seen in observations_of(start) if start else ():
        value = seen.value if isinstance(seen.value, str) else dict(seen.value)
        sections[seen.section][seen.name] = value
    return sections
