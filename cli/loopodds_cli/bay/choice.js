"use strict";
// What a test can still tell, in bits (inference/information.py), gauges taken as their words:
// the distribution of its outcomes is one contraction over the calibrated cliques, and what remains
// unsure once the state of the car is known comes off.

/** Product of factors, summed over every variable that is not kept; the smallest pair first. */
function contract(factors, keep, cards) {
  const size = (names) => names.reduce((all, name) => all * cards[name], 1);
  let work = factors.map((factor) => ({...factor}));
  const needed = (name, but) => keep.includes(name)
    || work.some((other) => !but.includes(other) && other.names.includes(name));
  const left = (pair) => [...new Set(pair.flatMap((f) => f.names))]
    .filter((name) => needed(name, pair));
  work = work.map((one) => summed(one, one.names.filter((name) => needed(name, [one])), cards));
  while (work.length > 1) {
    let best = null;
    for (let i = 0; i < work.length; i++)
      for (let j = i + 1; j < work.length; j++) {
        const [a, b] = [work[i], work[j]];
        const touching = a.names.some((name) => b.names.includes(name));
        const growth = size(left([a, b])) - size(a.names) - size(b.names);
        if (!best || touching > best.touching || (touching === best.touching
          && growth < best.growth)) best = {a, b, touching, growth};
      }
    const names = left([best.a, best.b]);
    const joined = multiplied(best.a, best.b, names, cards);
    work = work.filter((one) => one !== best.a && one !== best.b);
    work.push(joined);
  }
  return summed(work[0], keep, cards).values;
}

function summed(factor, names, cards) {
  if (names.join() === factor.names.join()) return factor;
  const map = cellMap(factor.names, cards, names);
  const values = new Float64Array(names.reduce((all, name) => all * cards[name], 1));
  for (let i = 0; i < map.length; i++) values[map[i]] += factor.values[i];
  return {names, values};
}

function multiplied(a, b, names, cards) {
  const gone = [...new Set([...a.names, ...b.names])].filter((name) => !names.includes(name));
  const scope = [...names, ...gone];
  const first = cellMap(scope, cards, a.names), second = cellMap(scope, cards, b.names);
  const values = new Float64Array(names.reduce((all, name) => all * cards[name], 1));
  const inner = gone.reduce((all, name) => all * cards[name], 1);
  for (let cell = 0, i = 0; cell < values.length; cell++) {
    let sum = 0;
    for (let k = 0; k < inner; k++, i++) sum += a.values[first[i]] * b.values[second[i]];
    values[cell] = sum;
  }
  return {names, values};
}

const bitsOf = (values) =>
  values.reduce((sum, p) => (p > 0 ? sum - p * Math.log2(p) : sum), 0);

/** Everything that can be asked of one calibrated car. */
class Outlook {
  constructor(tree, scales, belief) {
    this.tree = tree;
    this.scales = scales;
    this.context = belief.context;
    this.given = belief.given;
    this.beliefs = belief.beliefs;
    this.cards = {...tree.cards};
    const {codes, soft, numbers} = belief.given;
    this.known = new Set([...Object.keys(codes), ...Object.keys(numbers),
      ...Object.keys(soft).filter((name) => spreads(soft[name]))]);
    this.state = new Set(Object.keys(tree.nodes).filter((name) =>
      tree.nodes[name].hidden && !tree.data.history.includes(name)));
    this.fixed = new Set(Object.keys(codes).filter((name) => tree.nodes[name].hidden));
    this.around = this.neighbours();
  }

  neighbours() {
    const {nodes} = this.tree, around = {};
    for (const [name, node] of Object.entries(nodes)) if (node.hidden) around[name] = new Set();
    const seen = new Set([...this.known, ...Object.keys(this.given.implied || {})]);
    for (const [name, node] of Object.entries(nodes)) {
      if (!node.hidden && !seen.has(name)) continue;
      const scope = (node.hidden ? [...node.parents, name] : node.parents)
        .filter((one) => !this.fixed.has(one));
      for (const one of scope) for (const other of scope) if (one !== other) around[one].add(other);
    }
    return around;
  }

  /** Factors whose product, summed over all else, is the joint of hidden variables. */
  factors(wanted) {
    const {cliques} = this.tree, near = cliques.map(() => new Set());
    cliques.forEach(({parent, index}) => {
      if (parent >= 0) { near[index].add(parent); near[parent].add(index); }
    });
    const left = new Set(cliques.map(({index}) => index)), waiting = [...left];
    while (waiting.length) {
      const index = waiting.pop();
      if (!left.has(index) || near[index].size > 1) continue;
      const own = cliques[index].scope.filter((name) => wanted.has(name));
      const covered = [...near[index]].some((other) =>
        own.every((name) => cliques[other].scope.includes(name)));
      if (own.length && !covered) continue;
      left.delete(index);
      for (const other of near[index]) { near[other].delete(index); waiting.push(other); }
    }
    return [...left].map((index) => ({
      names: cliques[index].scope,
      values: left.has(cliques[index].parent) ? this.conditional(index) : this.beliefs[index],
    }));
  }

  conditional(index) {
    const clique = this.tree.cliques[index], belief = this.beliefs[index];
    const total = new Float64Array(clique.separatorSize);
    belief.forEach((value, i) => { total[clique.own[i]] += value; });
    return belief.map((value, i) => (total[clique.own[i]] > 0 ? value / total[clique.own[i]] : 0));
  }

  open(name) {
    if (this.known.has(name)) return false;
    const rule = this.scales.gauges[name], {codes} = this.given;
    return !Object.entries((rule && rule.masked_by) || {}).some(([finding, states]) =>
      codes[finding] >= 0 && states.includes(this.tree.nodes[finding].states[codes[finding]]));
  }

  /** P(outcome | parents), with an axis for each finding of the look that hides a gauge. */
  channel(name, names) {
    const node = this.tree.nodes[name], card = this.cards[name];
    if (node.hidden) return {name, given: [], values: null};
    let given = node.parents, values = this.tree.table(name, this.context);
    const implied = (this.given.implied || {})[name];
    if (implied && !node.gauge) values = weighed(values, implied, card);
    for (const [finding, states] of Object.entries(
      (node.gauge && this.scales.gauges[name].masked_by) || {})) {
      if (!names.includes(finding)) continue;
      const words = this.tree.nodes[finding].states, rows = values.length / card;
      const wide = new Float64Array(values.length * words.length);
      for (let row = 0; row < rows; row++)
        words.forEach((word, w) => {
          for (let s = 0; s < card; s++)
            wide[(row * words.length + w) * card + s] =
              states.includes(word) ? Number(s === 0) : values[row * card + s];
        });
      given = [...given, finding];
      values = wide;
    }
    return {name, given, values};
  }

  /** Factors of the joint of some outcomes and of further hidden variables. */
  joint(channels, extra = []) {
    const shown = channels.filter((channel) => channel.values);
    const hidden = [...channels.map(({name}) => name), ...shown.flatMap(({given}) => given), ...extra]
      .filter((name) => this.tree.nodes[name].hidden);
    const own = shown.map(({name, given, values}) => ({names: [...given, name], values}));
    return [...this.factors(new Set(hidden)), ...own];
  }

  contracted(factors, keep) {
    return contract(factors, keep, this.cards);
  }

  /** Information of what can be seen together about the state of the car, in bits. */
  bits(yields) {
    const names = yields.filter((name) => this.open(name));
    if (!names.length) return 0;
    const channels = names.map((name) => this.channel(name, names));
    const all = bitsOf(this.contracted(this.joint(channels), names));
    const noise = this.clusters(channels).reduce((sum, group) =>
      sum + this.noise(group, channels), 0);
    return Math.max(0, all - noise);
  }

  noise({members, state, links}, channels) {
    if (!links.size)
      return members.reduce((sum, channel) => sum + this.ownNoise(channel, channels), 0);
    const names = members.map(({name}) => name), border = [...state].sort();
    const joint = this.contracted(this.joint(members, border), [...names, ...border]);
    const whole = {names: [...names, ...border], values: joint};
    return bitsOf(joint) - bitsOf(summed(whole, border, this.cards).values);
  }

  /** Expected entropy of one outcome given its parents. */
  ownNoise({name, given, values}, channels) {
    if (!values) return 0;
    const card = this.cards[name], rows = values.length / card;
    const entropy = Float64Array.from({length: rows}, (_, row) =>
      bitsOf(values.subarray(row * card, (row + 1) * card)));
    const {nodes} = this.tree;
    const seen = channels.filter((channel) => given.includes(channel.name)
      && !nodes[channel.name].hidden);
    const hidden = given.filter((one) => nodes[one].hidden);
    return this.contracted([...this.joint(seen, hidden), {names: given, values: entropy}], [])[0];
  }

  /** Outcomes grouped by the history that they share once the state of the car is known. */
  clusters(channels) {
    let groups = [];
    for (const channel of channels) {
      const {links, border} = this.reach(channel);
      const linked = groups.filter((group) => [...group.links].some((name) => links.has(name)));
      groups = groups.filter((group) => !linked.includes(group));
      groups.push({
        members: [...linked.flatMap(({members}) => members), channel],
        state: new Set([...border, ...linked.flatMap(({state}) => [...state])]),
        links: new Set([...links, ...linked.flatMap((group) => [...group.links])]),
      });
    }
    return groups;
  }

  reach({name, given}) {
    const {nodes} = this.tree;
    const start = (nodes[name].hidden ? [name] : given.filter((one) => nodes[one].hidden))
      .filter((one) => !this.fixed.has(one));
    const border = new Set(start.filter((one) => this.state.has(one)));
    const links = new Set(), waiting = start.filter((one) => !this.state.has(one));
    while (waiting.length) {
      const one = waiting.pop();
      if (links.has(one)) continue;
      links.add(one);
      for (const other of this.around[one])
        if (this.state.has(other)) border.add(other);
        else waiting.push(other);
    }
    return {links, border};
  }
}

function weighed(values, weights, card) {
  const out = new Float64Array(values.length);
  for (let row = 0; row < values.length; row += card) {
    let total = 0;
    for (let s = 0; s < card; s++) total += out[row + s] = values[row + s] * weights[s];
    if (total > 0) for (let s = 0; s < card; s++) out[row + s] /= total;
  }
  return out;
}

/** One way of testing: what its last test tells, over the minutes of all its steps. */
function rated(outlook, gates, {test, steps}) {
  const bits = outlook.bits(gates.rules.tests[test].yields || []);
  const minutes = steps.reduce((sum, step) => sum + step.minutes, 0);
  return {test, first: steps[0].test, waiting: steps[0].waiting, bits, minutes,
    rate: bits / minutes};
}

const byRate = (ways) => ways.filter(({bits}) => bits > 1e-9).sort((a, b) => b.rate - a.rate);

/** Permitted tests, with what has to come before each, the most bits a minute first; a few at a
 * time, so that the screen is not held up. Null where `stale` says that nobody waits any more. */
async function rankedTests(outlook, gates, progress, stale) {
  const found = [];
  for (const way of gates.moves(progress)) {
    found.push(rated(outlook, gates, way));
    if (found.length % 4 === 0) await new Promise((resolve) => setTimeout(resolve));
    if (stale()) return null;
  }
  return byRate(found);
}
