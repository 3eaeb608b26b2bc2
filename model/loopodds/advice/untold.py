"""What it would be worth to be told a condition that was not stated, such as the air temperature.

A gauge is compared with what a sound loop shows in the conditions at hand; one that is not stated
is averaged over. Telling it costs nothing but a look, so it may be worth more than a further test.
"""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.base.units import INTERNAL_UNITS
from loopodds.decision.workshop import Workshop
from loopodds.diagnosis.past_evidence import encoded
from loopodds.inspection.encoding import encoding_of
from loopodds.inspection.gauges import untold_conditions
from loopodds.inspection.inspection import Inspection, Quantity
from loopodds.inspection.vocabulary import CHOICES, NUMBERS
from loopodds.knowledge.expectations import typically


class Untold(NamedTuple):
    """A condition that was not stated, and the currency that knowing it saves on average."""

    condition: str
    title: str
    worth: float

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return self._asdict()


def worth_telling(shop: Workshop) -> tuple[Untold, ...]:
    """Conditions that were not stated and bear on what was read, the most worth first.

    The value of perfect information: the cost of the best plan by what is believed, averaged over
    the values that the condition may have, less the average cost of the best plan for each of them.
    """
    if shop.inspection is None or not shop.knowledge.services:
        return ()
    found = (
        Untold(key, shop.knowledge.contexts[key].title, _worth(key, shop.inspection, shop))
        for key in untold_conditions(encoding_of(shop.inspection, shop.knowledge))
    )
    # in what order those stand that are worth nothing must not hang on rounding
    return tuple(sorted(found, key=lambda one: -round(one.worth, 6)))


def _worth(key: str, inspection: Inspection, shop: Workshop) -> float:
    values, share = typically(shop.knowledge.contexts[key])
    told = [
        replace(inspection, conditions={**inspection.conditions, key: value})
        for value in _as_told(key, values, shop)
    ]
    weights, marginals = np.empty(len(told)), np.empty((len(told), len(shop.marginal)))
    for own, group in encoded(told, shop.belief.model):
        tree = own.tree(group.context)
        posterior = tree.propagate(group.evidence, shop.decision.queries)
        weights[group.rows] = posterior.log_evidence
        marginals[group.rows] = shop.decision.of_joints(posterior.joints, shop.to_do)
    weights = share * np.exp(weights - weights.max())
    weights /= weights.sum()
    untold: FloatArray = shop.decision.cost((weights @ marginals)[None])
    return max(0.0, float(untold[0] - weights @ shop.decision.cost(marginals)))


def _as_told(key: str, values: FloatArray, shop: Workshop) -> Iterator[str | Quantity]:
    """The values as a case would have them."""
    if key in CHOICES:
        yield from shop.knowledge.contexts[key].values
        return
    unit = INTERNAL_UNITS[next(dimension for name, dimension in NUMBERS.values() if name == key)]
    for value in values.tolist():
        yield Quantity(value, f"{value:g} {unit}")
