"""The list of inspections most worth reopening, with what speaks for each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray
from loopodds.diagnosis.belief import Belief, Conflict
from loopodds.diagnosis.model import Beliefs, Model
from loopodds.inference.likelihoods import normal_density
from loopodds.inference.network import Evidence
from loopodds.inspection.cells import read_cells
from loopodds.inspection.columns import ColumnPlan
from loopodds.inspection.encoding import encode
from loopodds.inspection.inspection import Group, InspectionBatch
from loopodds.safety.batches import joined_names, stops_of

if TYPE_CHECKING:
    import pyarrow as pa

# engineering estimates; they decide what is listed, never a probability in the scored archive
# how much less likely a state is that a recorded outcome rules out
WRONG_OUTCOMES = 0.02
LOST_MASS = 1e-4

ContextKey = tuple[tuple[str, str], ...]


def candidates(
    groups: Sequence[Group],
    batch: InspectionBatch,
    log_evidence: FloatArray,
    model: Model,
    count: int,
) -> dict[int, tuple[float, float]]:
    """Rows of a batch that may belong on the list, the best so many by either reason.

    Args:
        log_evidence: Without the outcomes, shape (rows,); rows that cannot be are left out.

    Returns:
        Row to the cost that its outcome leaves out, and roughly its conflict [bits].
    """
    cost, bits = np.zeros(batch.rows), np.full(batch.rows, -np.inf)
    for group in groups:
        told, outcomes = with_outcomes(group, batch, model)
        cost[group.rows] = missed_cost(told, outcomes, model).sum(axis=1)
        alone = logs_alone(group, model)
        bits[group.rows] = (alone - log_evidence[group.rows]) / np.log(2)
    possible = np.isfinite(log_evidence)
    cost, bits = np.where(possible, cost, 0.0), np.where(possible, bits, -np.inf)
    best = (np.argsort(-values, kind="stable")[:count] for values in (cost, bits))
    return {
        row: (float(cost[row]), float(bits[row]))
        for row in np.unique(np.concatenate([*best])).tolist()
        if cost[row] > 0 or bits[row] > 0
    }


def with_outcomes(
    group: Group, batch: InspectionBatch, model: Model
) -> tuple[Beliefs, dict[str, BoolArray]]:
    """Beliefs after findings and outcomes, the outcomes trusted but not blindly."""
    outcomes = {name: possible[group.rows] for name, possible in batch.confirmed.items()}
    soft = {name: np.where(left, 1.0, WRONG_OUTCOMES) for name, left in outcomes.items()}
    return model.believe(group.context, group.evidence.with_soft(soft)), outcomes


def _harms(name: str, model: Model) -> FloatArray:
    """Cost of leaving each state of a fault variable for a season, shape (states,)."""
    harms = model.knowledge.harms[name].states if name in model.knowledge.harms else {}
    return np.array([harms.get(state, 0.0) for state in model.states(name)])


def missed_cost(beliefs: Beliefs, outcomes: Mapping[str, BoolArray], model: Model) -> FloatArray:
    """Expected cost, zero where the outcome names the fault, shape (rows, fault variables)."""
    costs = []
    for name, marginal in beliefs.faults.items():
        cost = marginal @ _harms(name, model)
        if name in outcomes:
            cost = np.where(outcomes[name][:, 0], cost, 0.0)
        costs.append(cost)
    return np.column_stack(costs)


def logs_alone(group: Group, model: Model) -> FloatArray:
    """Sum over everything observed of the log probability of each alone, shape (rows,)."""
    key = tuple(sorted(group.context.items()))
    total = _implied_logs(group, model)
    for name, codes in group.evidence.codes.items():
        total += _word_logs(model, key, name)[codes]
    for name, (value, extra) in group.evidence.numbers.items():
        total += _number_logs(model, key, name, value, extra)
    return total


def _implied_logs(group: Group, model: Model) -> FloatArray:
    """Log probability of what the circumstances imply, shape (rows,); worked out once a kind."""
    implied = group.evidence.implied
    if not implied:
        return np.zeros(group.evidence.rows)
    rows = np.hstack([*implied.values()])
    _, first, kind = np.unique(rows, axis=0, return_index=True, return_inverse=True)
    some = Evidence(len(first), implied={name: w[first] for name, w in implied.items()})
    logs: FloatArray = model.tree(group.context).propagate(some).log_evidence[kind.ravel()]
    return logs


@lru_cache(maxsize=1 << 14)
def _word_logs(model: Model, context: ContextKey, name: str) -> FloatArray:
    """Log probability of each word before anything is known; zero at the end, for code -1."""
    tree = model.tree(dict(context))
    words = len(tree.network.states(name))
    logs = tree.propagate(Evidence(words, {name: np.arange(words)})).log_evidence
    return np.append(logs, 0.0)


@lru_cache(maxsize=1 << 12)
def _likely_parents(
    model: Model, context: ContextKey, name: str
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Prior weight, mean and spread of a gauge by parent configuration, the rarest left out."""
    tree = model.tree(dict(context))
    gauge = tree.network.gauges[name]
    weight = np.ones(1)
    if gauge.parents:
        weight = tree.propagate(Evidence(1), [gauge.parents])[gauge.parents].ravel()
    order = np.argsort(-weight)
    kept = order[: np.searchsorted(np.cumsum(weight[order]), 1 - LOST_MASS) + 1]
    return weight[kept], np.ravel(gauge.mean)[kept], np.ravel(gauge.spread)[kept]


def _number_logs(
    model: Model, context: ContextKey, name: str, value: FloatArray, extra: FloatArray
) -> FloatArray:
    """Log density of a reading before anything else is known; zero where nothing was read."""
    gauge = model.tree(dict(context)).network.gauges[name]
    read = ~np.isnan(value)
    x = np.where(read, value, 0.0)
    density = gauge.share * normal_density(x, np.hypot(gauge.wide, extra))
    for weight, mean, spread in zip(*_likely_parents(model, context, name), strict=True):
        density += (1 - gauge.share) * weight * normal_density(x - mean, np.hypot(spread, extra))
    return np.where(read, np.log(np.maximum(density, 1e-300)), 0.0)


def cells_of(table: pa.Table, row: int) -> dict[str, str]:
    """All cells of a row, so that it can be looked at again."""
    (cells,) = table.slice(row, 1).to_pylist()
    return {
        c: ("yes" if v else "no") if isinstance(v, bool) else str(v)
        for c, v in cells.items()
        if v is not None
    }


def best_entries(entries: Sequence[Mapping[str, Any]], count: int) -> tuple[Mapping[str, Any], ...]:
    """The candidates that may still make the list, by row."""
    dearest = sorted(entries, key=lambda e: (-e["cost"], e["row"]))[:count]
    oddest = sorted(entries, key=lambda e: (-e["bits"], e["row"]))[:count]
    rows = {entry["row"] for entry in (*dearest, *oddest)}
    return tuple(sorted((e for e in entries if e["row"] in rows), key=lambda e: e["row"]))


# engineering estimates of what is worth a place on the list
STRONG_BITS = 5.0  # findings 32 times less likely together than each alone
CONFLICT_SHARE = 4  # one place in so many is kept for conflicts
MENTIONED_FROM = 0.05
MOST_MENTIONED = 5


class Missed(NamedTuple):
    """A condition that the outcome does not mention: its probability and share of the cost."""

    condition: str
    probability: float
    cost: float


@dataclass(frozen=True, slots=True)
class Reopen:
    """One inspection worth reopening."""

    row: int  # of the archive; the first below the header is 1
    reason: str  # ``missed`` or ``conflict``
    # expected cost of leaving what the outcome does not mention for a season, in the currency of
    # the price file, after the findings and the outcome
    cost: float
    missed: tuple[Missed, ...]  # what it consists of, dearest first
    recorded: Mapping[str, str]  # outcomes as the archive has them
    conflict: Conflict
    passed: Mapping[str, str]  # columns that only pass through: they tell which car it was
    stops: tuple[str, ...] = ()  # in force, by name

    def as_json(self) -> dict[str, Any]:
        """Plain data for ``json.dumps``."""
        keys = ("condition", "probability", "expected_cost")
        between = [[finding, other] for finding, other, _ in self.conflict.between]
        return {
            "row": self.row,
            "reason": self.reason,
            "expected_cost": self.cost,
            "missed": [dict(zip(keys, missed, strict=True)) for missed in self.missed],
            "recorded": dict(self.recorded),
            "stops": list(self.stops),
            "conflict": {"bits": self.conflict.bits, "between": between},
            "columns": dict(self.passed),
        }


def reopen_list(
    entries: Sequence[Mapping[str, Any]], plan: ColumnPlan, model: Model, count: int
) -> list[Reopen]:
    """The inspections whose outcome leaves out most, those to be stopped before all others and
    the dearest first; then the strongest conflicts.

    One place in four is kept for conflicts, if there are any.
    """
    looked_at = [look_again(entry, plan, model) for entry in entries]
    dearest = sorted(
        (e for e in looked_at if e.cost > 0), key=lambda e: (not e.stops, -e.cost, e.row)
    )
    odd = sorted(
        (e for e in looked_at if e.conflict.bits >= STRONG_BITS),
        key=lambda e: (-e.conflict.bits, e.row),
    )
    places = min(len(odd), count // CONFLICT_SHARE if dearest else count)
    missed = dearest[: count - places]
    taken = {entry.row for entry in missed}
    others = [entry for entry in odd if entry.row not in taken][:places]
    return [*missed, *(replace(entry, reason="conflict") for entry in others)]


def look_again(entry: Mapping[str, Any], plan: ColumnPlan, model: Model) -> Reopen:
    import pyarrow as pa

    cells: Mapping[str, str] = entry["cells"]
    table = pa.table({c: pa.array([cells.get(c)], pa.string()) for c in plan.columns})
    batch, _ = read_cells(table, plan, model.knowledge)
    (group,) = encode(batch, model.knowledge).groups
    told, outcomes = with_outcomes(group, batch, model)
    belief = Belief(model, group.context, group.evidence)
    in_force = stops_of(batch, group, belief.beliefs, model.knowledge)
    (stops,) = joined_names(in_force, model.knowledge)
    by_variable = missed_cost(told, outcomes, model)[0]
    kinds = {feed.column: feed.kind for feed in plan.feeds}
    return Reopen(
        row=entry["row"],
        reason="missed",
        cost=float(by_variable.sum()),
        missed=_missed(told, dict(zip(told.faults, by_variable, strict=True)), model),
        recorded={c: cells[c] for c in cells if kinds.get(c) == "confirmed"},
        conflict=belief.conflict,
        stops=tuple(stops.split()),
        passed={c: cells[c] for c in cells if c not in kinds},
    )


def _missed(beliefs: Beliefs, costs: Mapping[str, float], model: Model) -> tuple[Missed, ...]:
    """Conditions of the variables that cost something, dearest first, trifles left out."""
    missed = []
    for name, condition in model.conditions.items():
        if costs[condition.variable] <= 0:
            continue
        shares = beliefs.faults[condition.variable][0] * model.members(name)
        if shares.sum() >= MENTIONED_FROM:
            cost = float(shares @ _harms(condition.variable, model))
            missed.append(Missed(name, float(shares.sum()), cost))
    return tuple(sorted(missed, key=lambda entry: -entry.cost)[:MOST_MENTIONED])
