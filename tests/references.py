"""Independent routes to the same probabilities, for tests only.

None of them shares code with the junction tree: the whole joint as one array, a tensor
contraction (opt_einsum), pyAgrum's lazy propagation and pgmpy's variable elimination. pyAgrum
gets its tables through its interface, because its BIF reader keeps 32-bit floats.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from loopodds.base.arrays import FloatArray, IntArray
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Discrete, Evidence, GaugeNode, Network

Known = Mapping[str, FloatArray]
"""Likelihood vector by variable: one-hot for a state seen, anything non-negative if unsure."""


class Answer(NamedTuple):
    """Log of the sum of (joint times likelihoods), and posterior marginals that sum to one."""

    log_evidence: float
    marginals: dict[str, FloatArray]


IMPOSSIBLE = -np.inf


def one_hot(count: int, state: int) -> FloatArray:
    """Likelihood of a state seen for certain."""
    return np.eye(count)[state]


def known_of(variables: Iterable[Discrete], evidence: Evidence, row: int) -> dict[str, FloatArray]:
    """Likelihood vectors of one row of discrete evidence."""
    known: dict[str, FloatArray] = {}
    for variable in variables:
        weight = np.ones(len(variable.states))
        code = evidence.codes.get(variable.name)
        if code is not None and code[row] >= 0:
            weight = weight * one_hot(len(weight), int(code[row]))
        if variable.name in evidence.soft:
            weight = weight * evidence.soft[variable.name][row]
        if np.ptp(weight) > 0:
            known[variable.name] = weight
    return known


def sample(variables: Sequence[Discrete], rng: np.random.Generator) -> dict[str, int]:
    """One draw of every variable, parents first: evidence taken from it is possible."""
    waiting = {variable.name: variable for variable in variables}
    drawn: dict[str, int] = {}
    while waiting:
        for name, variable in list(waiting.items()):
            if all(parent in drawn for parent in variable.parents):
                row = variable.table[tuple(drawn[parent] for parent in variable.parents)]
                drawn[name] = int(rng.choice(len(row), p=row / row.sum()))
                del waiting[name]
    return drawn


def with_codes(evidence: Evidence, codes: Mapping[str, IntArray]) -> Evidence:
    """The same with states set, replacing whatever was known of those names."""
    rest = evidence.without(codes)
    known = {**evidence.codes, **codes}
    return Evidence(rest.rows, known, rest.soft, rest.numbers, evidence.implied)


def enumerate_joint(variables: Sequence[Discrete], known: Known) -> Answer:
    """The whole joint as one array, an axis for each variable."""
    axis = {variable.name: i for i, variable in enumerate(variables)}
    joint = np.ones([len(variable.states) for variable in variables])
    for variable in variables:
        names = [*variable.parents, variable.name]
        order = sorted(range(len(names)), key=lambda i: axis[names[i]])
        shape = [1] * joint.ndim
        for name, count in zip(names, variable.table.shape, strict=True):
            shape[axis[name]] = count
        joint = joint * np.transpose(variable.table, order).reshape(shape)
        if variable.name in known:
            shape = [1] * joint.ndim
            shape[axis[variable.name]] = -1
            joint = joint * known[variable.name].reshape(shape)
    total = joint.sum()
    if total == 0:
        return Answer(IMPOSSIBLE, {})
    return Answer(
        float(np.log(total)),
        {
            name: joint.sum(axis=tuple(j for j in axis.values() if j != i)) / total
            for name, i in axis.items()
        },
    )


def contract(
    factors: Sequence[tuple[Sequence[str], FloatArray]], targets: Sequence[str]
) -> FloatArray:
    """Sum of a product of factors over all variables but the targets (not normalised)."""
    import opt_einsum

    index = {name: i for i, name in enumerate(dict.fromkeys(n for s, _ in factors for n in s))}
    operands: list[Any] = []
    for scope, array in factors:
        operands += [array, [index[name] for name in scope]]
    result: FloatArray = opt_einsum.contract(
        *operands, [index[name] for name in targets], optimize="greedy"
    )
    return result


def import_pyagrum() -> Any:
    """The module, imported with warnings off: its extension types warn while they are made, and
    a warning turned into an error there takes the interpreter down."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pyagrum
    return pyagrum


def agrum(variables: Sequence[Discrete]) -> Any:
    """The network in pyAgrum, every table fed as 64-bit floats."""
    pyagrum = import_pyagrum()
    net = pyagrum.BayesNet()
    for variable in variables:
        net.add(pyagrum.LabelizedVariable(variable.name, variable.name, list(variable.states)))
    for variable in variables:
        for parent in variable.parents:
            net.addArc(parent, variable.name)
    for variable in variables:
        fill(net, variable)
    return net


def fill(net: Any, variable: Discrete) -> None:
    """Replace the table of a variable that pyAgrum already has."""
    tensor = net.cpt(variable.name)
    names = [*variable.parents, variable.name]
    order = [names.index(name) for name in tensor.names]
    tensor.fillWith(np.transpose(variable.table, order).flatten(order="F").tolist())


def ask_agrum(net: Any, known: Known, targets: Iterable[str]) -> Answer:
    """Lazy propagation of one row."""
    pyagrum = import_pyagrum()
    engine = pyagrum.LazyPropagation(net)
    hard = {name: int(w.argmax()) for name, w in known.items() if (w > 0).sum() == 1}
    soft = {name: weight.tolist() for name, weight in known.items() if name not in hard}
    engine.setEvidence({**hard, **soft})
    scale = sum(np.log(known[name].max()) for name in hard)
    try:
        engine.makeInference()
        log_evidence = float(np.log(engine.evidenceProbability()) + scale)
        return Answer(log_evidence, {n: engine.posterior(n).toarray() for n in targets})
    except pyagrum.IncompatibleEvidence:
        return Answer(IMPOSSIBLE, {})


def ask_pgmpy(model: Any, known: Known, targets: Sequence[str]) -> dict[str, FloatArray]:
    """Variable elimination, one target at a time (pgmpy has no log evidence).

    Soft evidence goes to a copy of the model, because pgmpy adds a node for it.
    """
    from pgmpy.factors.discrete import TabularCPD
    from pgmpy.inference import VariableElimination

    names = {cpd.variable: cpd.state_names[cpd.variable] for cpd in model.get_cpds()}
    hard = {n: names[n][int(w.argmax())] for n, w in known.items() if (w > 0).sum() == 1}
    soft = [
        TabularCPD(n, len(w), (w / w.sum()).reshape(-1, 1), state_names={n: names[n]})
        for n, w in known.items()
        if n not in hard
    ]
    answers = {}
    for target in targets:
        if target in hard:
            answers[target] = one_hot(len(names[target]), names[target].index(hard[target]))
            continue
        engine = VariableElimination(model.copy() if soft else model)
        found = engine.query(
            [target], evidence=hard, virtual_evidence=soft or None, show_progress=False
        )
        order = [found.state_names[target].index(state) for state in names[target]]
        answers[target] = np.asarray(found.values)[order]
    return answers


def seen_reading(gauge: GaugeNode, value: float, extra: float) -> tuple[Discrete, float]:
    """A reading as a binary child of the gauge's parents that was seen to be "yes".

    P(yes | parents) is proportional to the density of the reading, recomputed with scipy: normal
    by parent configuration, mixed with the misreading around the sound value, the extra spread
    added in quadrature to both.

    Returns
    -------
    Discrete
        With states "no" and "yes".
    float
        Log of the factor by which the density was divided to stay below one.
    """
    from scipy.stats import norm

    density = (1 - gauge.share) * norm.pdf(value, gauge.mean, np.sqrt(gauge.spread**2 + extra**2))
    density = density + gauge.share * norm.pdf(value, 0.0, np.sqrt(gauge.wide**2 + extra**2))
    scale = float(density.max())
    p = density / scale
    table = np.stack([1 - p, p], axis=-1)
    return Discrete(f"{gauge.name} seen", ("no", "yes"), gauge.parents, table), float(np.log(scale))


def readings_of(
    network: Network, evidence: Evidence, row: int
) -> tuple[list[Discrete], dict[str, FloatArray], float]:
    """Numbers of one row as seen children: the variables, what is known, log of the scales."""
    variables: list[Discrete] = []
    total = 0.0
    for name, (value, extra) in evidence.numbers.items():
        if not np.isnan(value[row]):
            gauge = network.gauges[name]
            variable, scale = seen_reading(gauge, float(value[row]), float(extra[row]))
            variables.append(variable)
            total += scale
    return variables, {variable.name: one_hot(2, 1) for variable in variables}, total


def marginals(tree: JunctionTree, evidence: Evidence) -> dict[str, FloatArray]:
    """Posterior of every discrete variable, shape (rows, states), from the junction tree.

    A variable outside the tree follows from the joint of its parents: its own row of the table,
    weighted by what is known of itself.
    """
    network = tree.network
    leaves = network.observables
    queries = [(name,) for name in network.hidden] + [v.parents for v in leaves.values()]
    posterior = tree.propagate(evidence, queries)
    found = {name: posterior[name] for name in network.hidden}
    for name, variable in leaves.items():
        weight = np.ones((evidence.rows, len(variable.states)))
        if name in evidence.codes:
            seen = evidence.codes[name][:, None]
            weight = np.where(seen < 0, 1.0, seen == np.arange(len(variable.states)))
        if name in evidence.soft:
            weight = weight * evidence.soft[name]
        flat = variable.table.reshape(-1, len(variable.states))
        given = weight[:, None, :] * flat
        total = given.sum(axis=-1, keepdims=True)
        given = np.divide(given, total, out=np.zeros_like(given), where=total > 0)
        parents = posterior[variable.parents].reshape(evidence.rows, -1)
        found[name] = np.einsum("rp,rps->rs", parents, given)
    return found
