"""Contexts in which inspections were made: known beforehand, never random.

Setting, expansion device, compressor, refrigerant and weather choose among the variants of the
knowledge. One that is not stated is averaged over, with the shares of ``contexts.toml``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from loopodds.base.arrays import BoolArray, IntArray
from loopodds.base.errors import KnowledgeError
from loopodds.inspection.inspection import CHOICES, InspectionBatch
from loopodds.knowledge.records import Knowledge

CONTEXTS = ("setting", "expansion", "compressor", "refrigerant", "weather")
COOL_BELOW_C = 18.0
"""Under this a sound loop may show bubbles and short cycles; engineering estimate."""


def context_codes(batch: InspectionBatch, knowledge: Knowledge) -> dict[str, IntArray]:
    """Contexts that each inspection was made in.

    Returns
    -------
    dict of str to int array, shape (rows,)
        ``setting``, ``expansion``, ``compressor``, ``refrigerant``, ``weather``: index into the
        values of the context in the knowledge; -1 is not stated. The setting, when not stated,
        is a complaint if a complaint was recorded, else routine.

    Raises
    ------
    KnowledgeError
        If the knowledge lacks one of the values.
    """
    cool = batch.number("ambient_c") < COOL_BELOW_C
    known = ~np.isnan(batch.number("ambient_c"))
    setting = np.where(has_complaint(batch, knowledge), 0, 1)
    stated = batch.choice("setting")
    raw = {name: batch.choice(name) for name in ("expansion", "compressor", "refrigerant")}
    raw["setting"] = np.where(stated >= 0, stated, setting)
    raw["weather"] = np.where(known, np.where(cool, 0, 1), -1)
    values = {**CHOICES, "weather": ("cool", "warm")}
    return {name: _recoded(raw[name], name, values[name], knowledge) for name in CONTEXTS}


def _recoded(codes: IntArray, name: str, values: Sequence[str], knowledge: Knowledge) -> IntArray:
    known = knowledge.contexts[name].values if name in knowledge.contexts else ()
    missing = [value for value in values if value not in known]
    if missing:
        raise KnowledgeError(f"contexts.toml: {name} lacks the value {missing[0]!r}")
    lookup = np.array([*(known.index(value) for value in values), -1], np.int8)
    return lookup[codes]


def has_complaint(batch: InspectionBatch, knowledge: Knowledge) -> BoolArray:
    """Rows in which a customer complaint was recorded, shape (rows,).

    A complaint given as likelihoods counts when its most likely state is a complaint.
    """
    found = np.zeros(batch.rows, bool)
    for name, node in knowledge.of_kind("finding").items():
        if not node.complaint:
            continue
        complains = np.array([state in node.complaint for state in node.states] + [False])
        if name in batch.codes:
            found |= complains[batch.codes[name]]
        if name in batch.soft:
            weights = batch.soft[name]
            found |= complains[weights.argmax(axis=1)] & (np.ptp(weights, axis=1) > 0)
    return found


def context_patterns(
    codes: Mapping[str, IntArray], keys: Iterable[str], knowledge: Knowledge
) -> tuple[IntArray, list[dict[str, str]]]:
    """Distinct combinations of contexts, and which one each row has.

    Parameters
    ----------
    codes : mapping of str to int array, shape (rows,)
        From :func:`context_codes`.
    keys : iterable of str
        The contexts that matter.

    Returns
    -------
    int array, shape (rows,)
        Index into the list.
    list of dict of str to str
        Context values; one that is not stated has no key.
    """
    used = [key for key in CONTEXTS if key in set(keys)]
    values = {key: knowledge.contexts[key].values for key in used}
    ids = np.zeros(len(codes[CONTEXTS[0]]), np.int16)
    for key in used:
        ids = ids * np.int16(len(values[key]) + 1) + (codes[key] + 1).astype(np.int16)
    present = np.flatnonzero(np.bincount(ids))
    lookup = np.zeros(int(present[-1]) + 1 if len(present) else 0, np.int16)
    lookup[present] = np.arange(len(present))
    patterns = []
    for number in present.tolist():
        pattern = {}
        for key in reversed(used):
            number, code = divmod(number, len(values[key]) + 1)
            if code:
                pattern[key] = values[key][code - 1]
        patterns.append(pattern)
    return lookup[ids], patterns
