"""Moves priced: all outcomes of all moves of all states of one depth in one batch."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import NamedTuple

import numpy as np

from loopodds.aliases import FloatArray, IntArray, Query
from loopodds.branches import Branch, Leaf, State
from loopodds.calibrated import Calibrated
from loopodds.decision import Decision
from loopodds.imagined import Batch
from loopodds.junction import JunctionTree, Posterior
from loopodds.moves import Move
from loopodds.network import Evidence

_ROWS_A_THREAD = 4096
_ROUNDING = 1e-9  # of sums of chances


class Trial(NamedTuple):
    """A move in a state, with what it may show."""

    state: State
    move: Move
    leaves: Sequence[Leaf]

    @property
    def outcomes(self) -> int:
        """Number of outcomes."""
        return sum(leaf.cells.count for leaf in self.leaves)


class _Rows(NamedTuple):
    """Every outcome of every trial: belief, cost of the best plan, bound, log evidence."""

    marginals: FloatArray
    stop: FloatArray
    known: FloatArray
    logs: FloatArray


def value_trials(trials: Sequence[Trial], calibrated: Calibrated, decision: Decision) -> None:
    """Append to the state of each trial the branch that it makes.

    Parameters
    ----------
    trials : sequence of Trial
    calibrated : Calibrated
        What is known now, of which every outcome is a variation.
    decision : Decision
    """
    if not trials:
        return
    sizes = np.array([trial.outcomes for trial in trials])
    ends = np.cumsum(sizes)
    starts = ends - sizes
    leaves = [leaf for trial in trials for leaf in trial.leaves]
    rows = _work_out(trials, calibrated, decision)
    lengths = np.concatenate([leaf.cells.lengths for leaf in leaves])
    chance = np.exp(rows.logs - np.repeat([t.state.log_evidence for t in trials], sizes)) * lengths
    chance /= np.repeat(np.add.reduceat(chance, starts), sizes)
    spent = np.repeat([leaf.spent for leaf in leaves], [leaf.cells.count for leaf in leaves])
    costs = np.add.reduceat(chance * spent, starts)
    # what quadrature loses cancels against the plan that is best on the average outcome
    average = np.add.reduceat(chance[:, None] * rows.marginals, starts, axis=0)
    owed = average.shape[1] - len(decision.owed)
    needs = owed - len(decision.needs)
    before = np.array([trial.state.marginal for trial in trials])
    average[:, needs:owed] = before[:, needs:owed]
    indebted = decision.cost(average)
    incurred = np.abs(average[:, owed:] - before[:, owed:]).max(axis=1, initial=0.0) > _ROUNDING
    average[:, owed:] = before[:, owed:]
    debts = np.where(incurred, indebted - decision.cost(average), 0.0)
    costs += debts
    informed = np.add.reduceat(chance * rows.stop, starts)
    gains = np.maximum(0.0, indebted - informed)
    for i, trial in enumerate(trials):
        part = slice(starts[i], ends[i])
        trial.state.branches.append(
            Branch(
                *trial, chance[part], rows.logs[part], rows.stop[part], rows.known[part],
                rows.marginals[part], float(gains[i]), float(costs[i]), float(debts[i]),
            )
        )  # fmt: skip


def _work_out(trials: Sequence[Trial], calibrated: Calibrated, decision: Decision) -> _Rows:
    """Beliefs and costs at every outcome; what comes about in two ways is worked out once."""
    batch = Batch(calibrated.evidence)
    for trial in trials:
        for leaf in trial.leaves:
            batch.add(leaf.seen, leaf.cells)
    evidence, which = batch.evidence()
    posterior = _propagated(calibrated.tree, evidence, decision.queries)
    kinds, kind = _open_needs(trials, decision)
    pairs, pair = np.unique(which * len(kinds) + kind, return_inverse=True)
    number, kind = np.divmod(pairs, len(kinds))
    joints = {query: joint[number] for query, joint in posterior.joints.items()}
    marginals = decision.of_joints(joints, kinds[kind])
    return _Rows(
        marginals[pair],
        decision.cost(marginals)[pair],
        decision.informed_cost(marginals)[pair],
        posterior.log_evidence[which],
    )


def _open_needs(trials: Sequence[Trial], decision: Decision) -> tuple[FloatArray, IntArray]:
    """What plans would still need done: the distinct answers, and which one each outcome has."""
    found: dict[tuple[str, ...], FloatArray] = {}
    rows = []
    for trial in trials:
        for leaf in trial.leaves:
            done = (*trial.state.progress.done, *leaf.done)
            if done not in found:
                found[done] = decision.to_do(done)
            rows.append(found[done])
    kinds, kind = np.unique(np.array(rows), axis=0, return_inverse=True)
    return kinds, np.repeat(kind, [leaf.cells.count for trial in trials for leaf in trial.leaves])


def _propagated(tree: JunctionTree, evidence: Evidence, queries: Iterable[Query]) -> Posterior:
    """One batch, its rows shared among the processors when there are many."""
    wanted = list(queries)
    parts = min(os.cpu_count() or 1, evidence.rows // _ROWS_A_THREAD)
    if parts < 2:
        return tree.propagate(evidence, wanted)
    rows = np.array_split(np.arange(evidence.rows), parts)
    with ThreadPoolExecutor(parts) as pool:
        done = list(pool.map(lambda part: tree.propagate(evidence.take(part), wanted), rows))
    joints = {query: np.concatenate([part.joints[query] for part in done]) for query in wanted}
    return Posterior(np.concatenate([part.log_evidence for part in done]), joints)
