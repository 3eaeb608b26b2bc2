"""What a person should know about a car before trusting its result, as plain data for the page.

The page words the remarks of :mod:`loopodds.inspection.remarks` itself, so that nobody is left
without them where there is no network; here are the numbers and the lists that they go by.
"""

from __future__ import annotations

from typing import Any

from loopodds.inspection import remarks
from loopodds.inspection.vocabulary import NUMBERS
from loopodds.knowledge.expectations import conditions_of
from loopodds.knowledge.records import Context, Knowledge

LIMITS = ("ODD_SPREADS", "ODD_SOAK_K", "ODD_DERIVED_K", "NO_PRESSURE_KPA")
MAKE_UP = ("expansion", "compressor", "refrigerant")


def remarks_data(knowledge: Knowledge) -> dict[str, Any]:
    """Limits, what is read together, and what stands in for what is not stated."""
    gauges, numbers = knowledge.gauges, {key for key, _ in NUMBERS.values()}
    return {
        **{name.lower(): getattr(remarks, name) for name in LIMITS},
        "nothing": remarks.NOTHING_OBSERVED,
        "partners": {name: list(pair) for name, pair in remarks.PARTNERS.items()},
        "pressures": [n for n, gauge in gauges.items() if gauge.quantity == "pressure"],
        "scale": {name: gauge.scale for name, gauge in gauges.items()},
        "bearing": {name: list(conditions_of(gauge)) for name, gauge in gauges.items()},
        "make_up": {name: list(knowledge.contexts[name].values) for name in MAKE_UP},
        "usual": {
            name: remarks.usually(context)
            for name, context in knowledge.contexts.items()
            if not context.measuring and _stands_in(context, numbers)
        },
    }


def _stands_in(context: Context, numbers: set[str]) -> bool:
    """Whether something stands in for it where it is not stated."""
    return bool(context.values and context.shares) or context.name in numbers
