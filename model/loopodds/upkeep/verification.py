"""Our engine against another one: the same random evidence put to both, answers compared.

pgmpy has only discrete variables, so gauges are seen as words. Fault posteriors come from its
variable elimination in the Bayesian network. It has no log evidence, but a query in the Markov
network of the same tables is left unnormalised: its sum is the probability of the evidence.
"""

import itertools
import warnings
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from loopodds.diagnosis.model import Model
from loopodds.diagnosis.simulation import simulate
from loopodds.exchange.libraries import to_pgmpy
from loopodds.inference.likelihoods import interval_codes
from loopodds.inference.network import Evidence
from loopodds.knowledge.records import Knowledge

AGREES_WITHIN = 1e-9
"""Both engines are exact: what is left is the order of float sums, mostly below 1e-12."""
CONTEXTS = 4
STATED = 0.5
"""Chance that a context which may be left out is stated."""


class ContextCheck(NamedTuple):
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
                    "context": dict(context),
                    "rows": rows,
                    "largest_posterior_difference": posterior,
                    "largest_log_evidence_difference": log_evidence,
                }
                for context, rows, posterior, log_evidence in self.contexts
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
        progress: Called with the number of rows done, after each.

    Raises:
        KnowledgeError: if a network cannot be built, or pgmpy refuses it.
    """
    rng = np.random.default_rng(seed)
    model = Model(knowledge)
    done = itertools.count(1)
    checks = []
    for part in np.array_split(np.arange(rows), min(CONTEXTS, rows)):
        context = _context(knowledge, rng)
        evidence = _words_seen(model, context, len(part), rng)
        differences = []
        for difference in _differences(model, context, evidence):
            differences.append(difference)
            if progress is not None:
                progress(next(done))
        posterior, log_evidence = map(max, zip(*differences, strict=True))
        checks.append(ContextCheck(context, len(part), posterior, log_evidence))
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


def _differences(
    model: Model, context: Mapping[str, str], evidence: Evidence
) -> Iterator[tuple[float, float]]:
    """Largest difference of a posterior, and that of the log evidence, row by row."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", FutureWarning)  # of its own, on import
        from pgmpy.inference import VariableElimination
    beliefs = model.believe(context, evidence)
    bayesian = to_pgmpy(model, context)
    engine = VariableElimination(bayesian)
    unnormalised = VariableElimination(bayesian.to_markov_model())
    for row in range(evidence.rows):
        seen = {n: model.states(n)[c[row]] for n, c in evidence.codes.items() if c[row] >= 0}
        total = unnormalised.query([model.faults[0]], evidence=seen, show_progress=False)
        with np.errstate(divide="ignore"):
            theirs = float(np.log(np.sum(total.values)))
        ours = float(beliefs.log_evidence[row])
        posterior = 0.0
        for name in model.faults if np.isfinite(theirs) else ():
            factor = engine.query([name], evidence=seen, show_progress=False)
            order = [factor.state_names[name].index(state) for state in model.states(name)]
            gap = np.abs(beliefs.faults[name][row] - np.asarray(factor.values)[order])
            posterior = max(posterior, float(gap.max()))
        # equal where both say impossible
        yield posterior, 0.0 if ours == theirs else abs(ours - theirs)
