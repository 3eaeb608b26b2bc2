"""Plan of a junction tree from scopes and cardinalities alone; no array is touched here.

Greedy elimination under several criteria, the cheapest plan kept (Kjærulff 1990); maximal
cliques joined by a maximum-weight spanning tree of separators (Jensen & Jensen 1994).
"""

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from math import log2, prod

from loopodds.base.arrays import Query
from loopodds.base.errors import TooLarge

Neighbours = dict[str, set[str]]
Scope = frozenset[str]

LARGEST_LOG2 = 25.0


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


def plan_tree(scopes: Iterable[Collection[str]], cards: Mapping[str, int]) -> TreePlan:
    """Junction tree in which every scope fits into one clique.

    Args:
        cards: Number of states of each variable, in the order that settles ties.

    Raises:
        TooLarge: if the cheapest plan found has a clique of more than 2**25 configurations; the
            message estimates the memory.
    """
    return _planned(tuple(tuple(scope) for scope in scopes), tuple(cards.items()))


@lru_cache(maxsize=64)
def _planned(scopes: tuple[Query, ...], counts: tuple[tuple[str, int], ...]) -> TreePlan:
    """Cached, because the contexts of one knowledge share their scopes."""
    cards = dict(counts)
    graph: Neighbours = {name: set() for name in cards}
    for scope in scopes:
        for name in scope:
            graph[name].update({*scope} - {name})
    plans = [_eliminate(graph, cards, cost) for cost in (_weight, _fill, _fill_weight)]
    cliques = min(plans, key=lambda found: _space(found, cards))
    largest = max(sum(log2(cards[name]) for name in clique) for clique in cliques)
    if largest > LARGEST_LOG2:
        gib = 2.0**largest * 8 / 2**30
        raise TooLarge(
            f"exact inference needs a clique of 2^{largest:.1f} configurations "
            f"({gib:.3g} GiB a row); the limit is 2^{LARGEST_LOG2:.0f}"
        )
    return _join(cliques, cards)


def _weight(graph: Neighbours, name: str, cards: Mapping[str, int]) -> float:
    return prod(cards[other] for other in graph[name]) * cards[name]


def _missing(graph: Neighbours, name: str) -> list[tuple[str, str]]:
    return [(a, b) for a, b in combinations(graph[name], 2) if b not in graph[a]]


def _fill(graph: Neighbours, name: str, cards: Mapping[str, int]) -> float:
    return len(_missing(graph, name)) + 1e-9 * _weight(graph, name, cards)


def _fill_weight(graph: Neighbours, name: str, cards: Mapping[str, int]) -> float:
    fill = sum(cards[a] * cards[b] for a, b in _missing(graph, name))
    return fill + 1e-9 * _weight(graph, name, cards)


def _eliminate(
    start: Neighbours,
    cards: Mapping[str, int],
    cost: Callable[[Neighbours, str, Mapping[str, int]], float],
) -> list[Scope]:
    """Maximal cliques of the triangulation by greedy elimination."""
    graph = {name: set(around) for name, around in start.items()}
    price = {name: cost(graph, name, cards) for name in graph}
    cliques: list[Scope] = []
    while graph:
        name = min(price, key=price.__getitem__)
        around = graph.pop(name)
        del price[name]
        clique = frozenset((name, *around))
        if not any(clique <= other for other in cliques):
            cliques.append(clique)
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
