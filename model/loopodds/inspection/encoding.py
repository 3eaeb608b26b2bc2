"""One inspection or a million, encoded for the engine: grouped by context, words beside numbers.

Expansion device, compressor, refrigerant and weather choose among the variants of the knowledge;
one that is not stated is averaged over. Why the car is here is an observation: a complaint is
something that its faults bring about, a routine check says that nobody came for any. A word and a
number for the same gauge never count twice: where there is a number, the word stays out. What was
not observed stays out altogether.
"""

from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache

import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray, IntArray
from loopodds.base.errors import KnowledgeError
from loopodds.base.unit_table import YEAR_MIN
from loopodds.inference.network import Evidence
from loopodds.inspection.gauges import AS_GOOD_AS_SAID, masked_rows, measured_states, read_gauges
from loopodds.inspection.inspection import (
    Contexts,
    Encoding,
    GaugeReading,
    Group,
    Inspection,
    InspectionBatch,
    Quantity,
    batch_of,
)
from loopodds.inspection.vocabulary import CHOICES, COMPLAINT, LOOKED_BY, ROUTINE, SECOND
from loopodds.knowledge.assembly import table_array
from loopodds.knowledge.nodes import Node
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.tables import eyes_of, seen_together

STATED = (
    "setting", "expansion", "compressor", "refrigerant",
    "sight_glass", "internal_heat_exchanger", "rear_evaporator",
)  # fmt: skip
# the number that a context follows from, and where its values part, lowest first [degC, min, m],
# unless the knowledge says otherwise. Under 18 degC a sound loop may show bubbles and short cycles;
# engineering estimate
BANDS: Mapping[str, tuple[str, tuple[float, ...]]] = {
    "weather": ("ambient_c", (18.0,)),
    "age": ("age_min", (6 * YEAR_MIN, 11 * YEAR_MIN, 16 * YEAR_MIN)),
    "mileage": ("mileage_m", (1e8, 2e8)),
}
CONTEXTS = (*STATED, *BANDS)
OPTIONAL = ("age", "mileage", "sight_glass", "internal_heat_exchanger", "rear_evaporator")
"""Contexts that a knowledge may leave out."""
BAND_NAMES: Mapping[str, tuple[str, ...]] = {
    "weather": ("cool", "warm"),
    "age": ("to_5_years", "to_10_years", "to_15_years", "over_15_years"),
    "mileage": ("to_100000_km", "to_200000_km", "over_200000_km"),
}


def encoding_of(inspection: Inspection, knowledge: Knowledge) -> Encoding:
    """One inspection encoded: at the door, or now where it has changed since."""
    made = inspection.encoding
    if made is not None and made.knowledge is knowledge:
        return made
    return encode(batch_of([inspection], knowledge), knowledge)


def inspection_at(batch: InspectionBatch, row: int, knowledge: Knowledge) -> Inspection:
    """One row of a batch as an inspection of its own: its pressures, all else as encoded."""
    one = batch.take(np.array([row]))
    read = {name: float(value[0]) for name, value in one.readings.items()}
    readings = {n: Quantity(value, f"{value:g}") for n, value in read.items() if value == value}
    return Inspection(f"row {row}", readings=readings).with_remarks(encode(one, knowledge))


def encode(batch: InspectionBatch, knowledge: Knowledge, confirmed: bool = False) -> Encoding:
    """A batch as the network takes it.

    Args:
        confirmed: Whether confirmed outcomes are evidence too, as learning needs them. Assessing
            and calibrating leave them out.

    Raises:
        KnowledgeError: if no sound expectation covers the context of a gauge, or a context lacks a
            value.
    """
    contexts = _contexts(batch, knowledge)
    worded = _in_words(_as_the_trade(batch, knowledge), measured_states(batch, contexts, knowledge))
    readings = read_gauges(worded, contexts, knowledge)
    came = _brought_in(batch, contexts.codes["setting"], knowledge)
    implied = came | _told_of_faults(batch, knowledge)
    evidence = _evidence(worded, readings, implied, knowledge, confirmed)
    groups = _groups(evidence, *contexts.patterns(_context_keys(knowledge)))
    return Encoding(knowledge, worded, batch, contexts, readings, groups)


def _groups(
    evidence: Evidence, pattern: IntArray, contexts: list[dict[str, str]]
) -> tuple[Group, ...]:
    if len(contexts) == 1:
        return (Group(contexts[0], np.arange(evidence.rows), observed(evidence)),)
    # a stable sort of small integers is one pass, and keeps the rows of a group rising
    order = np.argsort(pattern, kind="stable")
    ends = np.cumsum(np.bincount(pattern, minlength=len(contexts)))
    return tuple(
        Group(context, rows, observed(evidence.take(rows)))
        for context, rows in zip(contexts, np.split(order, ends)[:-1], strict=True)
    )


@lru_cache(maxsize=4)
def _context_keys(knowledge: Knowledge) -> frozenset[str]:
    """Contexts that bear on any node."""
    return frozenset(key for node in knowledge.nodes.values() for key in node.context_keys())


def _contexts(batch: InspectionBatch, knowledge: Knowledge) -> Contexts:
    """The setting, when not stated, is a complaint if one was recorded, else not known."""
    codes = {name: batch.choice(name) for name in STATED}
    complains = _has_complaint(batch, knowledge) & (codes["setting"] < 0)
    codes["setting"] = np.where(complains, CHOICES["setting"].index(COMPLAINT), codes["setting"])
    known = {
        name: knowledge.contexts[name].values if name in knowledge.contexts else ()
        for name in CONTEXTS
    }
    ours: dict[str, tuple[str, ...]] = {**CHOICES, **BAND_NAMES}
    for name, (number, edges) in BANDS.items():
        value = batch.number(number)
        if name in knowledge.contexts and knowledge.contexts[name].edges:
            edges, ours[name] = knowledge.contexts[name].edges, known[name]
        codes[name] = np.where(np.isnan(value), -1, np.searchsorted(edges, value, side="right"))
    for name in CONTEXTS:
        if name in OPTIONAL and not known[name]:
            codes[name] = np.full(batch.rows, -1)
            continue
        missing = [value for value in ours[name] if value not in known[name]]
        if missing:
            raise KnowledgeError(f"contexts.toml: {name} lacks the value {missing[0]!r}")
        lookup = np.array([*(known[name].index(value) for value in ours[name]), -1], np.int8)
        codes[name] = lookup[codes[name]]
    return Contexts(known, codes)


def _brought_in(
    batch: InspectionBatch, setting: IntArray, knowledge: Knowledge
) -> dict[str, FloatArray]:
    """What the setting says of the complaints, shape (rows, states) each.

    At a routine check nobody came for any of them. A car that came with a complaint came for the
    usual one, unless only another was recorded. To a recorded word of the same complaint this adds
    nothing: it is weighed alike whatever is wrong.
    """
    values = knowledge.contexts["setting"].values
    routine, complaint = (setting == values.index(word) for word in (ROUTINE, COMPLAINT))
    usual_name = knowledge.contexts["setting"].usual_complaint
    usual = complaint & (recorded_rows(usual_name, batch) | ~_has_complaint(batch, knowledge))
    came = {}
    for name, node in knowledge.of_kind("finding").items():
        if not node.brings_in:
            continue
        comes = np.array([node.brings_in.get(state, 0.0) for state in node.states])
        weights = np.ones((batch.rows, len(comes)))
        weights[routine] = (1 - comes) / (1 - comes).max()
        if name == usual_name:
            weights[usual] = comes / comes.max()
        came[name] = weights
    return came


WAYS_IN = (ROUTINE, COMPLAINT, "usual_complaint")
"""How a car came in, where that is stated: for nothing, for a complaint that is recorded, or for
one of which nothing is recorded, so that it is taken for the usual one."""


def ways_in(batch: InspectionBatch, knowledge: Knowledge) -> IntArray:
    """Index into ``WAYS_IN`` of each row whose setting is stated and says something, else -1.

    Shape (rows,).
    """
    brings = {name for name, node in knowledge.of_kind("finding").items() if node.brings_in}
    usual = 2 if knowledge.contexts["setting"].usual_complaint in brings else -1
    stated, known = batch.choice("setting"), CHOICES["setting"]
    routine, complaint = (stated == known.index(word) for word in (ROUTINE, COMPLAINT))
    told = complaint & _has_complaint(batch, knowledge)
    ways = np.select([routine, told, complaint], [0, 1, usual], -1) if brings else stated * 0 - 1
    return ways.astype(np.int8)


def _told_of_faults(batch: InspectionBatch, knowledge: Knowledge) -> dict[str, FloatArray]:
    """What history that was told says of faults it is not tied to, shape (rows, states) each.

    P(told | fault) / P(told): to tie both in the network would cost more than all else in it. That
    is exact where the item is told and nothing else hangs on it; where it is not told, what it
    would tie together is left apart.
    """
    told: dict[str, FloatArray] = {}
    for name, node in knowledge.of_kind("history").items():
        if not node.yes_if or not recorded_rows(name, batch).any():
            continue
        prior = table_array(node, {})
        said = batch.soft.get(name, np.ones((batch.rows, 2)))
        if name in batch.codes:
            said = said * np.vstack([np.eye(2), np.ones(2)])[batch.codes[name]]
        for fault, chances in node.yes_if.items():
            yes = np.array([chances[state] for state in knowledge.node(fault).states])
            weights = (said @ np.array([1 - yes, yes])) / (said @ prior)[:, None]
            told[fault] = told.get(fault, 1.0) * weights
    return told


def recorded_rows(name: str, batch: InspectionBatch | Evidence) -> BoolArray:
    """Rows in which something was recorded under a name, doubtful or not, that can be used."""
    seen = np.zeros(batch.rows, bool)
    if name in batch.codes:
        seen |= batch.codes[name] >= 0
    if name in batch.soft:
        seen |= np.ptp(batch.soft[name], axis=1) > 0
    if isinstance(batch, Evidence) and name in batch.numbers:
        seen |= ~np.isnan(batch.numbers[name][0])
    return seen


def _has_complaint(batch: InspectionBatch, knowledge: Knowledge) -> BoolArray:
    """Rows in which a customer complaint was recorded, shape (rows,).

    A complaint given as likelihoods counts when its most likely state is a complaint.
    """
    complaining = np.zeros(batch.rows, bool)
    for name, node in knowledge.of_kind("finding").items():
        if not node.complaint:
            continue
        complains = np.array([state in node.complaint for state in node.states] + [False])
        if name in batch.codes:
            complaining |= complains[batch.codes[name]]
        if name in batch.soft:
            weights = batch.soft[name]
            complaining |= complains[weights.argmax(axis=1)] & (np.ptp(weights, axis=1) > 0)
    return complaining


def _as_the_trade(batch: InspectionBatch, knowledge: Knowledge) -> InspectionBatch:
    """The batch with what people say of a sample as words of the trade, or likelihoods of them."""
    if not any(name.removeprefix(SECOND) != name or name == LOOKED_BY for name in batch.choices):
        return batch
    codes, soft = dict(batch.codes), dict(batch.soft)
    who = np.stack([batch.choice(LOOKED_BY), batch.choice(SECOND + LOOKED_BY)], axis=1)
    for name, node in knowledge.of_kind("finding").items():
        if node.by_eye and (name in codes or SECOND + name in batch.choices):
            first = codes.get(name, np.full(batch.rows, -1, np.int8))
            words = np.stack([first, batch.choice(SECOND + name)], axis=1)
            eyes = eyes_of(knowledge.readers, list(knowledge.readers), name, len(node.states))
            known = np.array([*(name in own for own in knowledge.readers.values()), False])
            seen = seen_together(eyes, np.where(known[who], who, -1), words)
            codes[name] = seen.word.astype(np.int8)
            before = soft.get(name, np.ones(seen.likelihood.shape))
            soft[name] = np.where(seen.open[:, None], seen.likelihood, before)
    return replace(batch, codes=codes, soft=soft)


def _in_words(batch: InspectionBatch, measured: Mapping[str, FloatArray]) -> InspectionBatch:
    """The batch with what was measured of a finding in place of the word for it.

    A word that says otherwise leaves a doubt between the two, in which the number counts for a
    little more: one of them is a slip, and nobody can tell which.
    """
    codes, soft = dict(batch.codes), dict(batch.soft)
    for name, weights in measured.items():
        count = weights.shape[1]
        rows = np.ptp(weights, axis=1) > 0
        code = codes.get(name, np.full(batch.rows, -1, np.int8))
        word = soft.get(name, np.ones(weights.shape))
        word = np.where((code >= 0)[:, None], np.eye(count)[code], word)
        told = np.ptp(word, axis=1) > 0
        differs = told & (word.argmax(axis=1) != weights.argmax(axis=1))
        said = np.where(differs[:, None], 0.6 * weights + 0.4 * word, weights)
        sure = said.max(axis=1) >= AS_GOOD_AS_SAID * said.sum(axis=1)
        codes[name] = np.where(rows, np.where(sure, said.argmax(axis=1), -1), code).astype(np.int8)
        left = np.where(sure[:, None], 1.0, said)
        soft[name] = np.where(rows[:, None], left, soft.get(name, np.ones(weights.shape)))
    return replace(batch, codes=codes, soft=soft)


def _evidence(
    batch: InspectionBatch,
    readings: Mapping[str, GaugeReading],
    implied: Mapping[str, FloatArray],
    knowledge: Knowledge,
    confirmed: bool,
) -> Evidence:
    """Evidence of all rows, before they are grouped."""
    codes: dict[str, IntArray] = dict(batch.codes)
    soft: dict[str, FloatArray] = dict(batch.soft)
    for name, node in knowledge.of_kind("gauge", "finding").items():
        said = name in codes or name in soft
        if not said or (node.kind == "finding" and not (node.masked_by or node.told_by)):
            continue
        _leave_open(node, readings, codes, soft)
        unused = masked_rows(node, batch, knowledge)
        if name in readings:
            unused |= ~np.isnan(readings[name].residual)
        if name in codes:
            codes[name] = np.where(unused, -1, codes[name])
        if name in soft:
            soft[name] = np.where(unused[:, None], 1.0, soft[name])
    for name, node in knowledge.of_kind("finding").items():
        if node.veiled_by and (name in codes or name in soft):
            _lift_veil(node, batch, codes, soft, knowledge)
    if confirmed:
        _add_confirmed(batch, codes, soft)
    numbers = {name: (reading.residual, reading.extra) for name, reading in readings.items()}
    return Evidence(batch.rows, codes, soft, numbers, implied)


def _leave_open(
    node: Node,
    readings: Mapping[str, GaugeReading],
    codes: dict[str, IntArray],
    soft: dict[str, FloatArray],
) -> None:
    """States that a reading has told apart weigh alike: what it says is not said again."""
    for name, states in node.told_by.items():
        if name not in readings:
            continue
        told = ~np.isnan(readings[name].residual)
        alike = np.array([state in states for state in node.states])
        code = codes.get(node.name, np.full(len(told), -1, np.int8))
        said = soft.get(node.name, np.ones((len(told), len(alike))))
        said = np.where((code >= 0)[:, None], np.eye(len(alike))[code], said)
        same = said[:, alike].max(axis=1, keepdims=True)
        rows = told & (np.ptp(said, axis=1) > 0)
        soft[node.name] = np.where(rows[:, None], np.where(alike, same, said), said)
        codes[node.name] = np.where(rows, -1, code).astype(np.int8)


def veil(
    node: Node, codes: Mapping[str, IntArray], soft: Mapping[str, FloatArray], knowledge: Knowledge
) -> FloatArray | float:
    """Chance that what is there is not seen, for what else was found, shape (rows,); or zero."""
    clear: FloatArray | float = 1.0
    for name, chances in node.veiled_by.items():
        hides = np.array([chances.get(state, 0.0) for state in knowledge.node(name).states])
        if name in codes:
            clear = clear * (1 - np.append(hides, 0.0)[codes[name]])
        if name in soft:
            weights = soft[name]
            shown = np.ptp(weights, axis=1) > 0
            clear = clear * (1 - np.where(shown, weights @ hides / weights.sum(axis=1), 0.0))
    return 1 - clear


def _lift_veil(
    node: Node,
    batch: InspectionBatch,
    codes: dict[str, IntArray],
    soft: dict[str, FloatArray],
    knowledge: Knowledge,
) -> None:
    """Nothing seen through something dark may be anything that it hides: a likelihood of each."""
    hidden = veil(node, batch.codes, batch.soft, knowledge)
    count = len(node.states)
    said = soft.get(node.name, np.ones((batch.rows, count)))
    if node.name in codes:
        known = codes[node.name]
        said = np.where((known >= 0)[:, None], np.eye(count)[known], said)
    first = said[:, :1]
    rows = (hidden > 0) & (first[:, 0] > 0) & (np.ptp(said, axis=1) > 0)
    if not rows.any():
        return
    share = np.broadcast_to(hidden, batch.rows)[:, None]
    meant = np.hstack([first, (1 - share) * said[:, 1:] + share * first])
    soft[node.name] = np.where(rows[:, None], meant, soft.get(node.name, 1.0))
    if node.name in codes:
        codes[node.name] = np.where(rows, -1, codes[node.name])


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


def observed(evidence: Evidence) -> Evidence:
    """The evidence without names that no row has."""
    return Evidence(
        evidence.rows,
        {name: code for name, code in evidence.codes.items() if code.max(initial=-1) >= 0},
        {name: w for name, w in evidence.soft.items() if w.size and np.ptp(w, axis=1).any()},
        {name: pair for name, pair in evidence.numbers.items() if not np.isnan(pair[0]).all()},
        {name: w for name, w in evidence.implied.items() if w.size and np.ptp(w, axis=1).any()},
    )
