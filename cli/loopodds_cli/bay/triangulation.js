"use strict";
// Plan of a junction tree from scopes and cardinalities (inference/triangulation.py): greedy
// elimination under three criteria, the cheapest kept; cliques joined by a maximum spanning tree.
// Step by step as in Python, so that what is too large here is too large there.

const spaceOf = (names, cards) => names.reduce((all, name) => all * cards.get(name), 1);

function missingPairs(graph, name) {
  const around = [...graph.get(name)], found = [];
  around.forEach((a, i) => {
    const near = graph.get(a);
    for (const b of around.slice(i + 1)) if (!near.has(b)) found.push([a, b]);
  });
  return found;
}

const weightOf = (graph, name, cards) =>
  spaceOf([...graph.get(name)], cards) * cards.get(name);
const CRITERIA = [
  weightOf,
  (graph, name, cards) =>
    missingPairs(graph, name).length + 1e-9 * weightOf(graph, name, cards),
  (graph, name, cards) => missingPairs(graph, name)
    .reduce((sum, [a, b]) => sum + cards.get(a) * cards.get(b), 0)
    + 1e-9 * weightOf(graph, name, cards),
];

/** Maximal cliques of the triangulation that elimination by a criterion makes. */
function eliminated(start, cards, cost) {
  const graph = new Map([...start].map(([name, around]) => [name, new Set(around)]));
  const price = new Map([...graph.keys()].map((name) => [name, cost(graph, name, cards)]));
  const cliques = [];
  while (graph.size) {
    let name = null;
    for (const [one, at] of price) if (name === null || at < price.get(name)) name = one;
    const around = graph.get(name), clique = new Set([name, ...around]);
    graph.delete(name);
    price.delete(name);
    if (!cliques.some((other) => [...clique].every((one) => other.has(one)))) cliques.push(clique);
    const touched = new Set(around);
    for (const other of around) {
      const near = graph.get(other);
      near.delete(name);
      for (const one of around) if (one !== other) near.add(one);
    }
    for (const other of around) for (const one of graph.get(other)) touched.add(one);
    for (const other of touched) price.set(other, cost(graph, other, cards));
  }
  return cliques.map((clique) => [...clique]);
}

/** Prim's spanning tree from the largest clique of each component, in collect order. */
function joined(cliques, cards) {
  const rank = new Map([...cards.keys()].map((name, i) => [name, i]));
  const listed = (scope) => [...scope].sort((a, b) => rank.get(a) - rank.get(b));
  const size = new Map(cliques.map((clique) => [clique, spaceOf(clique, cards)]));
  const members = new Map(cliques.map((clique) => [clique, new Set(clique)]));
  const waiting = [...cliques].sort((a, b) => size.get(b) - size.get(a));
  const link = new Map(waiting.map((clique) => [clique, [0, 0, null]]));
  const heavier = ([shared, room], [other, than]) => shared > other
    || (shared === other && room > than);
  const order = [];
  while (waiting.length) {
    let at = 0;
    waiting.forEach((clique, i) => { if (heavier(link.get(clique), link.get(waiting[at]))) at = i; });
    const [clique] = waiting.splice(at, 1);
    order.unshift(clique);
    for (const other of waiting) {
      const shared = other.filter((name) => members.get(clique).has(name)).length;
      const weight = [shared, -size.get(clique)];
      if (shared && heavier(weight, link.get(other))) link.set(other, [...weight, clique]);
    }
  }
  const home = (clique) => link.get(clique)[2];
  return order.map((clique) => ({
    scope: listed(clique),
    parent: home(clique) ? order.indexOf(home(clique)) : -1,
    separator: home(clique) ? listed(clique.filter((name) => members.get(home(clique)).has(name)))
      : [],
  }));
}

/** Cliques in which every scope fits into one, children first, and the sum of their sizes.
 * `cards` is a Map in the order that settles ties. */
function treePlan(scopes, cards) {
  const graph = new Map([...cards.keys()].map((name) => [name, new Set()]));
  for (const scope of scopes)
    for (const name of scope) for (const other of scope) if (other !== name) graph.get(name).add(other);
  const space = (cliques) => cliques.reduce((sum, clique) => sum + spaceOf(clique, cards), 0);
  const plans = CRITERIA.map((cost) => eliminated(graph, cards, cost));
  const best = plans.reduce((least, plan) => (space(plan) < space(least) ? plan : least));
  return {cliques: () => joined(best, cards), space: space(best)};
}
