"""One inspection or a million, encoded for the engine: grouped by context, words beside numbers.

A word and a number for the same gauge never count twice: where there is a number, the word stays
out. What was not observed stays out altogether.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray
from loopodds.inference.network import Evidence
from loopodds.inspection.contexts import context_codes, context_patterns
from loopodds.inspection.gauges import masked_rows, read_gauges
from loopodds.inspection.inspection import InspectionBatch
from loopodds.knowledge.records import Knowledge


@dataclass(frozen=True, slots=True, eq=False)
class Group:
    """Rows of a batch that share a context, and so a network.

    Attributes
    ----------
    context : dict of str to str
        Contexts that bear on any node; one that is not stated has no key.
    rows : int array, shape (rows of the group,)
        Row numbers in the batch, rising.
    evidence : Evidence
        Over those rows, in that order; only names observed in at least one of them.
    """

    context: dict[str, str]
    rows: IntArray
    evidence: Evidence


def encode(batch: InspectionBatch, knowledge: Knowledge, confirmed: bool = False) -> list[Group]:
    """Evidence of a batch, in groups that share a context.

    Parameters
    ----------
    batch : InspectionBatch
    knowledge : Knowledge
    confirmed : bool
        Whether confirmed outcomes are evidence too, as learning needs them. Assessing and
        calibrating leave them out.

    Returns
    -------
    list of Group
        Every row of the batch is in exactly one group.

    Raises
    ------
    KnowledgeError
        If no sound expectation covers the context of a gauge.
    """
    evidence = _whole(batch, knowledge, confirmed)
    codes = context_codes(batch, knowledge)
    pattern, contexts = context_patterns(codes, _context_keys(knowledge), knowledge)
    if len(contexts) == 1:
        return [Group(contexts[0], np.arange(batch.rows), _observed(evidence))]
    # a stable sort of small integers is one pass, and keeps the rows of a group rising
    order = np.argsort(pattern, kind="stable")
    ends = np.cumsum(np.bincount(pattern, minlength=len(contexts)))
    return [
        Group(context, rows, _observed(evidence.take(rows)))
        for context, rows in zip(contexts, np.split(order, ends)[:-1], strict=True)
    ]


@lru_cache(maxsize=4)
def _context_keys(knowledge: Knowledge) -> frozenset[str]:
    """Contexts that bear on any node."""
    return frozenset(key for node in knowledge.nodes.values() for key in node.context_keys())


def _whole(batch: InspectionBatch, knowledge: Knowledge, confirmed: bool) -> Evidence:
    """Evidence of all rows, before they are grouped."""
    codes: dict[str, IntArray] = dict(batch.codes)
    soft: dict[str, FloatArray] = dict(batch.soft)
    readings = read_gauges(batch, knowledge)
    for name, node in knowledge.of_kind("gauge").items():
        if name not in codes and name not in soft:
            continue
        unused = masked_rows(node, batch, knowledge)
        if name in readings:
            unused |= ~np.isnan(readings[name].residual)
        if name in codes:
            codes[name] = np.where(unused, -1, codes[name])
        if name in soft:
            soft[name] = np.where(unused[:, None], 1.0, soft[name])
    numbers = {name: (one.residual, one.extra) for name, one in readings.items()}
    if confirmed:
        _add_confirmed(batch, codes, soft)
    return Evidence(batch.rows, codes, soft, numbers)


def _add_confirmed(
    batch: InspectionBatch, codes: dict[str, IntArray], soft: dict[str, FloatArray]
) -> None:
    """One state that remains is a state observed; several that remain are likelihoods."""
    for name, possible in batch.confirmed.items():
        remaining = possible.sum(axis=1)
        codes[name] = np.where(remaining == 1, possible.argmax(axis=1), -1).astype(np.int8)
        several = (remaining > 1) & (remaining < possible.shape[1])
        if several.any():
            soft[name] = np.where(several[:, None], possible, 1.0)


def _observed(evidence: Evidence) -> Evidence:
    """The evidence without names that no row has."""
    return Evidence(
        evidence.rows,
        {name: code for name, code in evidence.codes.items() if code.max(initial=-1) >= 0},
        {name: w for name, w in evidence.soft.items() if w.size and np.ptp(w, axis=1).any()},
        _read_in_some_row(evidence.numbers),
    )


def _read_in_some_row(
    numbers: Mapping[str, tuple[FloatArray, FloatArray]],
) -> dict[str, tuple[FloatArray, FloatArray]]:
    return {name: pair for name, pair in numbers.items() if not np.isnan(pair[0]).all()}
