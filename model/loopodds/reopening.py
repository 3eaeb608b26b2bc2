"""The list of inspections most worth reopening, with what speaks for each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from loopodds.belief import Belief, Conflict
from loopodds.cells import read_cells
from loopodds.columns import ColumnPlan
from loopodds.engine import Beliefs, Model
from loopodds.evidence import encode
from loopodds.review import missed_cost, with_outcomes

# engineering estimates of what is worth a place on the list
STRONG_BITS = 5.0
"""Findings 32 times less likely together than each alone."""
CONFLICT_SHARE = 4
"""One place in so many is kept for conflicts."""
MENTIONED_FROM = 0.05
MOST_MENTIONED = 5


@dataclass(frozen=True, slots=True)
class Missed:
    """A condition that the outcome does not mention: its probability and share of the cost."""

    condition: str
    probability: float
    cost: float


@dataclass(frozen=True, slots=True)
class Reopen:
    """One inspection worth reopening.

    Attributes
    ----------
    row : int
        Row of the archive; the first below the header is 1.
    reason : str
        ``missed`` or ``conflict``.
    cost : float
        Expected cost of leaving what the outcome does not mention for a season, in the currency
        of the price file, after the findings and the outcome.
    missed : tuple of Missed
        What it consists of, dearest first.
    recorded : mapping of str to str
        Outcomes as the archive has them.
    conflict : Conflict
    passed : mapping of str to str
        The columns that only pass through: what tells which car it was.
    """

    row: int
    reason: str
    cost: float
    missed: tuple[Missed, ...]
    recorded: Mapping[str, str]
    conflict: Conflict
    passed: Mapping[str, str]

    def as_json(self) -> dict[str, Any]:
        """Plain data for ``json.dumps``."""
        return {
            "row": self.row,
            "reason": self.reason,
            "expected_cost": self.cost,
            "missed": [
                {"condition": m.condition, "probability": m.probability, "expected_cost": m.cost}
                for m in self.missed
            ],
            "recorded": dict(self.recorded),
            "conflict": {
                "bits": self.conflict.bits,
                "between": [[one, other] for one, other, _ in self.conflict.between],
            },
            "columns": dict(self.passed),
        }


def reopen_list(
    entries: Sequence[Mapping[str, Any]], plan: ColumnPlan, model: Model, count: int
) -> list[Reopen]:
    """The inspections most worth reopening, dearest first, then the strongest conflicts.

    One place in four is kept for inspections whose findings are in strong conflict, if there
    are any; the others go to the highest expected cost of what the outcome leaves out.
    """
    looked_at = [_look_again(entry, plan, model) for entry in entries]
    dearest = sorted((e for e in looked_at if e.cost > 0), key=lambda e: (-e.cost, e.row))
    odd = sorted(
        (e for e in looked_at if e.conflict.bits >= STRONG_BITS),
        key=lambda e: (-e.conflict.bits, e.row),
    )
    places = min(len(odd), count // CONFLICT_SHARE if dearest else count)
    missed = dearest[: count - places]
    taken = {entry.row for entry in missed}
    others = [entry for entry in odd if entry.row not in taken][:places]
    return [*missed, *(replace(entry, reason="conflict") for entry in others)]


def _look_again(entry: Mapping[str, Any], plan: ColumnPlan, model: Model) -> Reopen:
    import pyarrow as pa

    cells: Mapping[str, str] = entry["cells"]
    table = pa.table({c: pa.array([cells.get(c)], pa.string()) for c in plan.columns})
    batch, _ = read_cells(table, plan, model.knowledge)
    (group,) = encode(batch, model.knowledge)
    told, outcomes = with_outcomes(group, batch, model)
    by_variable = missed_cost(told, outcomes, model)[0]
    feeding = {feed.column for feed in plan.feeds}
    recorded = {f.column for f in plan.feeds if f.kind == "confirmed"}
    return Reopen(
        row=entry["row"],
        reason="missed",
        cost=float(by_variable.sum()),
        missed=_missed(told, dict(zip(told.faults, by_variable, strict=True)), model),
        recorded={c: cells[c] for c in plan.columns if c in recorded and c in cells},
        conflict=Belief(model, group.context, group.evidence).conflict,
        passed={c: cells[c] for c in plan.columns if c not in feeding and c in cells},
    )


def _missed(beliefs: Beliefs, costs: Mapping[str, float], model: Model) -> tuple[Missed, ...]:
    """Conditions of the variables that cost something, dearest first, trifles left out."""
    found = []
    for name, condition in model.conditions.items():
        if costs[condition.variable] <= 0:
            continue
        harms = model.knowledge.harms.get(condition.variable, {})
        marginal = dict(
            zip(
                model.states(condition.variable), beliefs.faults[condition.variable][0], strict=True
            )
        )
        cost = sum(float(marginal[state]) * harms.get(state, 0.0) for state in condition.states)
        probability = sum(float(marginal[state]) for state in condition.states)
        found.append(Missed(name, probability, cost))
    found.sort(key=lambda one: -one.cost)
    return tuple(one for one in found if one.probability >= MENTIONED_FROM)[:MOST_MENTIONED]
