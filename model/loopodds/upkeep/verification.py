"""Our engine against another one: the same random evidence put to both, answers compared.

pgmpy has only discrete variables, so gauges are seen as words. Fault posteriors come from its
variable elimination in the Bayesian network. It has no log evidence, but a query in the Markov
network of the same tables is left unnormalised: its sum is the probability of the evidence.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from loopodds.diagnosis.model import Model
from loopodds.diagnosis.simulation import simulate
from loopodds.inference.likelihoods import interval_codes
from loopodds.inference.network import Evidence
from loopodds.knowledge.records import Knowledge
from loopodds.upkeep.exchange import to_pgmpy

AGREES_WITHIN = 1e-9
"""Both engines are exact: what is left is the order of float sums, mostly below 1e-12."""

CONTEXTS = 4
STATED = 0.5
"""Chance that a context which may be left out is stated."""


@dataclass(frozen=True, slots=True)
class ContextCheck:
    """Rows put to both engines in one context, and their largest absolute differences."""

    context: Mapping[str, str]
    rows: int
    posterior: float
    log_evidence: float


@dataclass(frozen=True, slots=True)
class Verification:
    """What became of a comparison of our engine with pgmpy."""

    digest: str
    seed: int
    contexts: tuple[ContextCheck, ...]

    @property
    def rows(self) -> int:
        """Rows of all contexts together."""
        return sum(check.rows for check in self.contexts)

    @property
    def largest(self) -> float:
        """Largest difference of a posterior or a log evidence."""
        return max(max(check.posterior, check.log_evidence) for check in self.contexts)

    @property
    def agrees(self) -> bool:
        """Whether no difference is beyond `AGREES_WITHIN`."""
        return self.largest <= AGREES_WITHIN

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "knowledge": self.digest,
            "seed": self.seed,
            "rows": self.rows,
            "largest_difference": self.largest,
            "tolerance": AGREES_WITHIN,
            "agrees": self.agrees,
            "contexts": [
                {
                    "context": dict(check.context),
                    "rows": check.rows,
                    "largest_posterior_difference": check.posterior,
                    "largest_log_evidence_difference": check.log_evidence,
                }
                for check in self.contexts
            ],
        }


def verify(
    knowledge: Knowledge,
    rows: int = 20,
    seed: int = 1,
    progress: Callable[[int], None] | None = None,
) -> Verification:
    """Compare all fault posteriors and the log evidence with pgmpy's variable elimination.

    Args:
        rows: Random cars, shared among a few random contexts; at least one.
        seed: The same seed draws the same contexts and cars.
        progress: Called with the number of rows done after each.

    Raises:
        KnowledgeError: if a network cannot be built, or pgmpy refuses it.
    """
    rng = np.random.default_rng(seed)
    model = Model(knowledge)
    shares = [len(part) for part in np.array_split(np.arange(rows), min(CONTEXTS, rows))]
    checks: list[ContextCheck] = []
    for count in shares:
        context = _context(knowledge, rng)
        done = sum(check.rows for check in checks)
        watch = None if progress is None else (lambda row, d=done, p=progress: p(d + row))
        checks.append(_compared(model, context, _words_seen(model, context, count, rng), watch))
    return Verification(knowledge.digest, seed, tuple(checks))


def _context(knowledge: Knowledge, rng: np.random.Generator) -> dict[str, str]:
    """A random context: what has no shares is always stated, the rest half of the time."""
    return {
        name: str(rng.choice(stated.values))
        for name, stated in knowledge.contexts.items()
        if stated.values and (not stated.shares or rng.random() < STATED)
    }


def _words_seen(
    model: Model, context: Mapping[str, str], rows: int, rng: np.random.Generator
) -> Evidence:
    """Random parts of what can be seen on random cars, readings as words.

    On every third car the words have nothing to do with each other, so that rare corners of the
    tables are met too.
    """
    drawn = simulate(model, context, rows, rng).evidence
    gauges = model.tree(context).network.gauges
    codes = dict(drawn.codes)
    for name, (value, _) in drawn.numbers.items():
        words = interval_codes(value, gauges[name].cuts)
        codes[name] = np.where(np.isnan(value), -1, words)
    unrelated = np.arange(rows) % 3 == 2
    share = rng.uniform(0.05, 0.6, rows)
    for name, code in codes.items():
        anything = rng.integers(0, len(model.states(name)), rows)
        seen = rng.random(rows) < share
        codes[name] = np.where(seen, np.where(unrelated, anything, code), -1)
    return Evidence(rows, codes)


def _compared(
    model: Model,
    context: Mapping[str, str],
    evidence: Evidence,
    watch: Callable[[int], None] | None,
) -> ContextCheck:
    beliefs = model.believe(context, evidence)
    theirs = _Peer(model, context)
    posterior = log_evidence = 0.0
    for row in range(evidence.rows):
        seen = {n: model.states(n)[c[row]] for n, c in evidence.codes.items() if c[row] >= 0}
        ours = beliefs.log_evidence[row]
        peer = theirs.log_evidence(seen)
        if ours != peer:  # equal where both say impossible
            log_evidence = max(log_evidence, abs(float(ours) - peer))
        if np.isfinite(peer):
            for name, chances in theirs.posteriors(seen).items():
                gap = np.abs(beliefs.faults[name][row] - chances).max()
                posterior = max(posterior, float(gap))
        if watch is not None:
            watch(row + 1)
    return ContextCheck(context, evidence.rows, posterior, log_evidence)


class _Peer:
    """pgmpy on the network of one context."""

    def __init__(self, model: Model, context: Mapping[str, str]) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", FutureWarning)  # of its own, on import
            from pgmpy.inference import VariableElimination
        bayesian = to_pgmpy(model, context)
        self._states = {name: model.states(name) for name in model.faults}
        self._engine = VariableElimination(bayesian)
        self._unnormalised = VariableElimination(bayesian.to_markov_model())

    def log_evidence(self, seen: Mapping[str, str]) -> float:
        """Natural log of the probability of what was seen; minus infinity if impossible."""
        fault = next(iter(self._states))
        factor = self._unnormalised.query([fault], evidence=dict(seen), show_progress=False)
        with np.errstate(divide="ignore"):
            return float(np.log(np.sum(factor.values)))

    def posteriors(self, seen: Mapping[str, str]) -> dict[str, Any]:
        """Posterior of every fault variable, shape (states,), in the order of our states."""
        answers = {}
        for name, states in self._states.items():
            factor = self._engine.query([name], evidence=dict(seen), show_progress=False)
            order = [factor.state_names[name].index(state) for state in states]
            answers[name] = np.asarray(factor.values)[order]
        return answers
