"""Small planning problems for tests, and slow routes to their answers that share no code."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from loopodds.base.arrays import FloatArray
from loopodds.decision.expected_cost import Component, Decision, Setting
from loopodds.decision.lookahead import Planner
from loopodds.decision.moves import Move, Progress, Results, Step
from loopodds.inference.joints import Calibrated
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Discrete, Evidence, Network

NOW = Progress((), frozenset())


def decision_of(variable: str, losses: Mapping[str, Sequence[float]]) -> Decision:
    """Decision between named acts on one variable; for every act its loss in each state."""
    table = np.array(list(losses.values()), dtype=float)
    component = Component(tuple((name,) for name in losses), np.zeros(len(table)), table)
    shape = ((variable, table.shape[1]),)
    return Decision(shape, (), (Setting((component,)),), table.min(axis=0))


def by_efficiency(chance: Sequence[float], cost: Sequence[float]) -> tuple[int, ...]:
    """Actions by falling probability of a cure over cost."""
    ratio = np.asarray(chance, dtype=float) / np.maximum(np.asarray(cost, dtype=float), 1e-12)
    return tuple(np.argsort(-ratio, kind="stable").tolist())


@dataclass
class Free:
    """Rules without gates: every test not done, nor ended by one done, is open at its cost."""

    costs: Mapping[str, float]
    hurdles: frozenset[str] = frozenset()
    ends: Mapping[str, frozenset[str]] = field(default_factory=dict)

    def moves(self, progress: Progress) -> list[Move]:
        """Tests left."""
        gone = {*progress.done, *(n for done in progress.done for n in self.ends.get(done, ()))}
        return [
            Move(name, (Step(name, 1.0, 0.0, cost, ()),), self.ends.get(name, frozenset()))
            for name, cost in self.costs.items()
            if name not in gone
        ]

    def after(self, progress: Progress, tests: Iterable[str], results: Results) -> Progress:
        """The tests are done."""
        return Progress((*progress.done, *tests), progress.results)


def planner(
    variables: Sequence[Discrete],
    decision: Decision,
    costs: Mapping[str, float],
    yields: Mapping[str, Sequence[str]] | None = None,
    codes: Mapping[str, int] | None = None,
    ends: Mapping[str, frozenset[str]] | None = None,
) -> Planner:
    """Planner of tests that each show the observable of their name, unless ``yields`` says more."""
    tree = JunctionTree(Network.of_tables(variables))
    evidence = Evidence(1, {name: np.array([code]) for name, code in (codes or {}).items()})
    shown = {name: (name,) for name in costs} | {k: tuple(v) for k, v in (yields or {}).items()}
    return Planner(Calibrated(tree, evidence), decision, Free(costs, ends=ends or {}), shown)


def random_variables(rng: np.random.Generator, hidden: int, seen: int) -> list[Discrete]:
    """Random network: hidden variables with up to two parents, observables with up to three."""
    variables: list[Discrete] = []
    cards: list[int] = []
    for i in range(hidden + seen):
        most = min(i, hidden, 2 if i < hidden else 3)
        least = 0 if i < hidden else 1
        parents = rng.choice(min(i, hidden), int(rng.integers(least, most + 1)), replace=False)
        card = int(rng.integers(2, 4))
        table = rng.dirichlet(np.full(card, 0.6), [cards[p] for p in parents])
        name = f"h{i}" if i < hidden else f"o{i - hidden}"
        names = tuple(f"h{p}" for p in parents)
        states = tuple(f"s{k}" for k in range(card))
        variables.append(Discrete(name, states, names, table.reshape(*table.shape)))
        cards.append(card)
    # every hidden variable has a child, so that none is taken for an observable
    for i in range(hidden):
        name = f"watch{i}"
        table = rng.dirichlet(np.full(2, 1.0), cards[i])
        variables.append(Discrete(name, ("a", "b"), (f"h{i}",), table))
    return variables


def random_decision(rng: np.random.Generator, variables: Sequence[Discrete]) -> Decision:
    """Two components on the first two hidden variables, a few options each."""
    shape = tuple((v.name, len(v.states)) for v in variables if v.name in ("h0", "h1"))
    columns = sum(count for _, count in shape)
    parts, start = [], 0
    for _, count in shape:
        options = int(rng.integers(2, 4))
        loss = np.zeros((options, columns))
        loss[:, start : start + count] = rng.uniform(0, 10, (options, count))
        names = tuple((f"act{start}.{k}",) for k in range(options))
        parts.append(Component(names, rng.uniform(0, 3, options), loss))
        start += count
    informed = np.concatenate(
        [
            (part.loss[:, a : a + n] + part.constant[:, None]).min(axis=0)
            for part, (a, n) in zip(parts, _spans(shape), strict=True)
        ]
    )
    return Decision(shape, (), (Setting(tuple(parts)),), informed)


def _spans(shape: Sequence[tuple[str, int]]) -> list[tuple[int, int]]:
    ends = np.cumsum([count for _, count in shape])
    return [(int(e - n), n) for e, (_, n) in zip(ends, shape, strict=True)]


def joint_of(variables: Sequence[Discrete]) -> tuple[list[str], FloatArray]:
    """The whole joint as one array, an axis for each variable in the order given."""
    import opt_einsum

    names = [variable.name for variable in variables]
    place = {name: i for i, name in enumerate(names)}
    operands: list[object] = []
    for v in variables:
        operands += [v.table, [place[n] for n in (*v.parents, v.name)]]
    return names, opt_einsum.contract(*operands, list(range(len(names))))


def marginal_of(
    names: Sequence[str], joint: FloatArray, keep: Sequence[str], codes: Mapping[str, int]
) -> FloatArray:
    """Joint of some variables and the evidence (not normalised)."""
    index = tuple(codes.get(name, slice(None)) for name in names)
    left = [name for name in names if name not in codes]
    cut = joint[index]
    gone = tuple(i for i, name in enumerate(left) if name not in keep)
    kept = [name for name in left if name in keep]
    return np.transpose(cut.sum(axis=gone), [kept.index(name) for name in keep])


def plan_costs(decision: Decision, posteriors: Mapping[str, FloatArray]) -> float:
    """Cost of the best plan, by listing every combination of options."""
    row = np.concatenate([posteriors[name] for name, _ in decision.variables])
    best = np.inf
    for setting in decision.settings:
        for options in itertools.product(*(range(len(c.options)) for c in setting.components)):
            pairs = list(zip(setting.components, options, strict=True))
            best = min(best, sum(float(c.constant[o] + c.loss[o] @ row) for c, o in pairs))
    return float(best)


def slow_value(
    names: Sequence[str],
    joint: FloatArray,
    decision: Decision,
    costs: Mapping[str, float],
    depth: int,
    codes: Mapping[str, int],
) -> float:
    """Least expected cost with up to ``depth`` further tests, by plain recursion."""
    mass = marginal_of(names, joint, [], codes)
    posteriors = {
        name: marginal_of(names, joint, [name], codes) / mass for name, _ in decision.variables
    }
    best = plan_costs(decision, posteriors)
    if depth == 0:
        return best
    for test, cost in costs.items():
        if test in codes:
            continue
        chances = marginal_of(names, joint, [test], codes) / mass
        after = [
            chance * slow_value(names, joint, decision, costs, depth - 1, {**codes, test: code})
            for code, chance in enumerate(chances)
            if chance > 0
        ]
        best = min(best, cost + sum(after))
    return best
