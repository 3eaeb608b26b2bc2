"""Plan of a junction tree from scopes and cardinalities alone; no array is touched here.

Greedy elimination under several criteria, the cheapest plan kept (Kjærulff 1990), and where that
is large also by layers and with some chance in it; maximal cliques joined by a maximum-weight
spanning tree of separators (Jensen & Jensen 1994).
"""

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from math import exp, log2, prod
from random import Random

from loopodds.base.arrays import Query
from loopodds.base.errors import TooLarge

Neighbours = dict[str, set[str]]
Scope = frozenset[str]
Cost = Callable[[Neighbours, str, Mapping[str, int]], float]
Counts = tuple[tuple[str, int], ...]

MOST = 2**27
"""Configurations of all cliques together: 1 GiB a row, of which a pass takes some three times."""
SEARCHED_FROM = 2**21
"""Configurations from which further orders are tried."""
SEARCHED = 3_000
"""Variables that are eliminated in further orders, which takes up to some seconds."""


@dataclass(frozen=True, slots=True)
class TreePlan:
    """Cliques in collect order: every clique before its parent, the root last."""

    # of each the variables shared with the parent last, in the order in which the parent has them:
    # what is sent there is a sum of rows
    cliques: tuple[Query, ...]
    # index of the clique that receives the message; -1 for the root of a component
    parents: tuple[int, ...]
    separators: tuple[Query, ...]  # variables shared with the parent, empty for a root
    space: int  # sum of the clique sizes


def plan_tree(
    scopes: Iterable[Collection[str]], cards: Mapping[str, int], searched: bool = True
) -> TreePlan:
    """Junction tree in which every scope fits into one clique.

    Args:
        cards: Number of states of each variable, in the order that settles ties.
        searched: Whether further orders are tried where the plan is large.

    Raises:
        TooLarge: if the cheapest plan found has more than `MOST` configurations; the message
            estimates the memory.
    """
    listed, counts = tuple(tuple(scope) for scope in scopes), tuple(cards.items())
    large = _space(_greedy(listed, counts), cards) > SEARCHED_FROM
    return _planned(listed, counts, searched and large)


@lru_cache(maxsize=64)
def _planned(scopes: tuple[Query, ...], counts: Counts, searched: bool) -> TreePlan:
    """Cached, because the contexts of one knowledge share their scopes."""
    cards = dict(counts)
    cliques = _greedy(scopes, counts)
    if searched:
        graph = _graph(scopes, cards)
        costs = [_in_layers(graph), *(_shaken(seed) for seed in range(SEARCHED // len(graph)))]
        for cost in costs:
            cliques = _eliminate(graph, cards, cost, _space(cliques, cards)) or cliques
    space = _space(cliques, cards)
    if space > MOST:
        raise TooLarge(
            f"exact inference needs 2^{log2(space):.1f} configurations "
            f"({space * 8 / 2**30:.3g} GiB a row); the limit is 2^{log2(MOST):.0f}"
        )
    return _join(cliques, cards)


@lru_cache(maxsize=64)
def _greedy(scopes: tuple[Query, ...], counts: Counts) -> list[Scope]:
    """The cheapest cliques under the three criteria."""
    cards = dict(counts)
    graph = _graph(scopes, cards)
    cliques = _eliminate(graph, cards, _weight)
    for cost in (_fill, _fill_weight):
        cliques = _eliminate(graph, cards, cost, _space(cliques, cards)) or cliques
    return cliques


def _graph(scopes: Iterable[Query], cards: Mapping[str, int]) -> Neighbours:
    graph: Neighbours = {name: set() for name in cards}
    for scope in scopes:
        for name in scope:
            graph[name].update({*scope} - {name})
    return graph


def _weight(graph: Neighbours, name: str, cards: Mapping[str, int]) -> float:
    return prod(cards[other] for other in graph[name]) * cards[name]


def _missing(graph: Neighbours, name: str) -> list[tuple[str, str]]:
    return [(a, b) for a, b in combinations(graph[name], 2) if b not in graph[a]]


def _fill(graph: Neighbours, name: str, cards: Mapping[str, int]) -> float:
    return len(_missing(graph, name)) + 1e-9 * _weight(graph, name, cards)


def _fill_weight(graph: Neighbours, name: str, cards: Mapping[str, int]) -> float:
    fill = sum(cards[a] * cards[b] for a, b in _missing(graph, name))
    return fill + 1e-9 * _weight(graph, name, cards)


def _shaken(seed: int) -> Cost:
    """The number of fill-in edges by their weight, each off by a factor: greedy is not best."""
    random = Random(seed)

    def cost(graph: Neighbours, name: str, cards: Mapping[str, int]) -> float:
        return _fill_weight(graph, name, cards) * exp(random.gauss(0.0, 0.45))

    return cost


def _in_layers(graph: Neighbours) -> Cost:
    """By the distance from a variable at the edge, which suits grids and long chains."""
    layer: dict[str, int] = {}
    for name in graph:
        if name not in layer:
            outermost = [*_distances(graph, name)][-1]
            layer |= _distances(graph, [*_distances(graph, outermost)][-1])

    def cost(around: Neighbours, name: str, cards: Mapping[str, int]) -> float:
        return layer[name] * 1e4 + log2(_weight(around, name, cards))

    return cost


def _distances(graph: Neighbours, start: str) -> dict[str, int]:
    """Steps from a variable to all that it hangs together with, the nearest first."""
    found = {start: 0}
    for name in (waiting := [start]):
        new = [other for other in sorted(graph[name]) if other not in found]
        found |= dict.fromkeys(new, found[name] + 1)
        waiting += new
    return found


def _eliminate(
    start: Neighbours, cards: Mapping[str, int], cost: Cost, most: int | None = None
) -> list[Scope]:
    """Maximal cliques of the triangulation by greedy elimination; none if it takes ``most``."""
    graph = {name: set(around) for name, around in start.items()}
    price = {name: cost(graph, name, cards) for name in graph}
    cliques: list[Scope] = []
    space = 0
    while graph:
        name = min(price, key=price.__getitem__)
        around = graph.pop(name)
        del price[name]
        clique = frozenset((name, *around))
        if not any(clique <= other for other in cliques):
            cliques.append(clique)
            space += _space([clique], cards)
            if most is not None and space >= most:
                return []
        for other in around:
            graph[other].discard(name)
            graph[other].update(around - {other})
        for other in around.union(*(graph[other] for other in around)):
            price[other] = cost(graph, other, cards)
    return cliques


def _space(cliques: Iterable[Scope], cards: Mapping[str, int]) -> int:
    return sum(prod(cards[name] for name in clique) for clique in cliques)


def _join(cliques: list[Scope], cards: Mapping[str, int]) -> TreePlan:
    """Prim's spanning tree from the largest clique of each component, in collect order."""
    waiting = dict.fromkeys(sorted(cliques, key=lambda clique: -_space([clique], cards)))
    home_of: dict[Scope, Scope | None] = {}
    link: dict[Scope, tuple[int, int, Scope | None]] = dict.fromkeys(waiting, (0, 0, None))
    while waiting:
        clique = max(waiting, key=lambda c: link[c][:2])
        del waiting[clique]
        home_of[clique] = link[clique][2]
        for other in waiting:
            shared = other & clique
            # Among homes with the same separator the smallest: each message costs a pass over it.
            weight = (len(shared), -_space([clique], cards))
            if shared and weight > link[other][:2]:
                link[other] = (*weight, clique)
    order = list(reversed(home_of))
    index = {clique: i for i, clique in enumerate(order)}
    homes = [home_of[clique] for clique in order]
    scopes, separators = _listed(home_of, cards)
    return TreePlan(
        tuple(scopes[clique] for clique in order),
        tuple(-1 if home is None else index[home] for home in homes),
        tuple(separators[clique] for clique in order),
        _space(order, cards),
    )


def _listed(
    home_of: Mapping[Scope, Scope | None], cards: Mapping[str, int]
) -> tuple[dict[Scope, Query], dict[Scope, Query]]:
    """Variables of each clique and of what it sends, from homes that come before their guests."""
    rank = {name: i for i, name in enumerate(cards)}
    scopes: dict[Scope, Query] = {}
    separators: dict[Scope, Query] = {}
    for clique, home in home_of.items():
        sent = tuple(name for name in scopes[home] if name in clique) if home else ()
        separators[clique] = sent
        scopes[clique] = (*sorted(clique - {*sent}, key=rank.__getitem__), *sent)
    return scopes, separators
