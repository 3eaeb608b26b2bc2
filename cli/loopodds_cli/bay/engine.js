"use strict";
// Exact inference in the page: the same two passes over the same cliques as in Python
// (inference/junction.py), for one car. Names are those of the knowledge.

/** What the server or the file brought along: plain data, and numbers on demand. */
function unpack(buffer) {
  const head = new DataView(buffer);
  const magic = String.fromCharCode(...new Uint8Array(buffer, 0, 8));
  if (magic !== "LOOPBAY1") throw new Error("this is not what the page at the car carries");
  const length = Number(head.getBigUint64(8, true));
  const text = new TextDecoder().decode(new Uint8Array(buffer, 16, length));
  const data = JSON.parse(text);
  const start = 16 + length;
  data.numbers = ({at, shape}) =>
    new Float64Array(buffer, start + 8 * at, shape.reduce((a, b) => a * b, 1));
  return data;
}

const product = (numbers) => numbers.reduce((a, b) => a * b, 1);

/** For every cell of `scope` its cell in an array over `names`, all of them in the scope. */
function cellMap(scope, cards, names) {
  const step = new Map();
  let width = 1;
  for (const name of [...names].reverse()) {
    step.set(name, width);
    width *= cards[name];
  }
  let map = new Int32Array(1);
  for (const name of scope) {
    const card = cards[name], move = step.get(name) || 0;
    const wider = new Int32Array(map.length * card);
    for (let i = 0, k = 0; i < map.length; i++)
      for (let state = 0; state < card; state++) wider[k++] = map[i] + state * move;
    map = wider;
  }
  return map;
}

function normalDensity(distance, spread) {
  const z = distance / spread;
  return Math.exp(-0.5 * z * z) / (Math.sqrt(2 * Math.PI) * spread);
}

const spreads = (weights) => weights.some((weight) => weight !== weights[0]);

/** What is known of each variable as one likelihood: words, doubts, and what circumstances imply. */
function merged(evidence) {
  const codes = {...evidence.codes}, soft = {...evidence.soft};
  for (const [name, weights] of Object.entries(evidence.implied || {}))
    soft[name] = soft[name] ? soft[name].map((w, i) => w * weights[i]) : weights;
  for (const name of Object.keys(soft)) {
    if (!(codes[name] >= 0) || !spreads(soft[name])) continue;
    soft[name] = soft[name].map((weight, state) => (state === codes[name] ? weight : 0));
    delete codes[name];
  }
  return {codes, soft, numbers: evidence.numbers || {}};
}

/** Every way to fill in the contexts that matter, with its share (knowledge/assembly.py). */
function fullContexts(shares, {keys, options}, context) {
  let parts = [{index: 0, share: 1}];
  keys.forEach((key, i) => {
    const values = options[i], known = values.indexOf(context[key]);
    parts = parts.flatMap(({index, share}) => values.flatMap((_, place) =>
      known >= 0 && place !== known ? [] : [{index: index * values.length + place,
        share: known >= 0 ? share : share * shares[key].shares[place]}]));
  });
  return parts;
}

function mixed(numbers, versions, parts) {
  if (parts.length === 1) return numbers(versions[parts[0].index]);
  const sum = new Float64Array(numbers(versions[parts[0].index]).length);
  for (const {index, share} of parts) {
    const values = numbers(versions[index]);
    for (let i = 0; i < sum.length; i++) sum[i] += share * values[i];
  }
  return sum;
}

/** Contexts that are not known mix Gaussians; their first two moments are kept. */
function mixedGauge(numbers, node, parts) {
  const mean = mixed(numbers, node.mean, parts);
  if (parts.length === 1) return {mean, spread: numbers(node.spread[parts[0].index])};
  const spread = new Float64Array(mean.length);
  for (const {index, share} of parts) {
    const means = numbers(node.mean[index]), own = numbers(node.spread[index]);
    for (let i = 0; i < mean.length; i++) spread[i] += share * (own[i] ** 2 + means[i] ** 2);
  }
  for (let i = 0; i < mean.length; i++) spread[i] = Math.sqrt(spread[i] - mean[i] ** 2);
  return {mean, spread};
}

const rational = (top, bottom, x) => top.reduce((sum, c) => sum * x + c, 0)
  / bottom.reduce((sum, c) => sum * x + c, 0);
// Rational approximations of W. J. Cody, Math. Comp. 23 (1969) 631, good to 1e-16.
const NEAR = [[1.85777706184603153e-1, 3.16112374387056560, 1.13864154151050156e2,
  3.77485237685302021e2, 3.20937758913846947e3], [1, 2.36012909523441209e1, 2.44024637934444173e2,
  1.28261652607737228e3, 2.84423683343917062e3]];
const MIDDLE = [[2.15311535474403846e-8, 5.64188496988670089e-1, 8.88314979438837594,
  6.61191906371416295e1, 2.98635138197400131e2, 8.81952221241769090e2, 1.71204761263407058e3,
  2.05107837782607147e3, 1.23033935479799725e3], [1, 1.57449261107098347e1, 1.17693950891312499e2,
  5.37181101862009858e2, 1.62138957456669019e3, 3.29079923573345963e3, 4.36261909014324716e3,
  3.43936767414372164e3, 1.23033935480374942e3]];
const FAR = [[1.63153871373020978e-2, 3.05326634961232344e-1, 3.60344899949804439e-1,
  1.25781726111229246e-1, 1.60837851487422766e-2, 6.58749161529837803e-4], [1, 2.56852019228982242,
  1.87295284992346725, 5.27905102951428412e-1, 6.05183413124413191e-2, 2.33520497626869185e-3]];

function erfc(x) {
  const y = Math.abs(x);
  if (y <= 0.46875) return 1 - x * rational(...NEAR, y * y);
  let tail = 0;
  if (y <= 4) tail = Math.exp(-y * y) * rational(...MIDDLE, y);
  else if (y < 27) {
    const z = 1 / (y * y);
    tail = (Math.exp(-y * y) * (1 / Math.sqrt(Math.PI) - z * rational(...FAR, z))) / y;
  }
  return x < 0 ? 2 - tail : tail;
}

const normalCdf = (z) => 0.5 * erfc(-z / Math.SQRT2);

/** What a gauge shows in words: intervals of the mixture of a reading and a misreading. */
function wordTable(node, {mean, spread}) {
  const words = node.cuts.length + 1, table = new Float64Array(mean.length * words);
  const far = node.cuts.map((cut) => normalCdf(cut / Math.hypot(node.wide, node.word_doubt)));
  for (let row = 0; row < mean.length; row++) {
    const scale = Math.hypot(spread[row], node.word_doubt);
    let below = 0;
    node.cuts.forEach((cut, i) => {
      const upTo = (1 - node.share) * normalCdf((cut - mean[row]) / scale) + node.share * far[i];
      table[row * words + i] = upTo - below;
      below = upTo;
    });
    table[row * words + words - 1] = 1 - below;
  }
  return table;
}

class Tree {
  constructor(data) {
    this.data = data.tree;
    this.numbers = data.numbers;
    this.nodes = this.data.nodes;
    this.cards = {};
    for (const [name, node] of Object.entries(this.nodes)) this.cards[name] = node.states.length;
    this.cliques = this.data.cliques.map((clique, index) => ({
      ...clique,
      index,
      size: product(clique.scope.map((name) => this.cards[name])),
      separatorSize: product(clique.separator.map((name) => this.cards[name])),
      own: cellMap(clique.scope, this.cards, clique.separator),
    }));
    for (const clique of this.cliques)
      if (clique.parent >= 0)
        clique.above = cellMap(
          this.cliques[clique.parent].scope, this.cards, clique.separator);
    this.maps = new Map();
    this.made = new Map();
    this.shares = data.scales.contexts_known;
    this.compiled = new Map();
  }

  /** Numbers of a node in a context, over everything that is not stated; kept once made. */
  numbersOf(name, context) {
    const node = this.nodes[name];
    const key = name + ":" + node.keys.map((one) => context[one] || "").join("|");
    if (!this.made.has(key)) {
      const parts = fullContexts(this.shares, node, context);
      this.made.set(key, node.gauge ? mixedGauge(this.numbers, node, parts)
        : {table: mixed(this.numbers, node.table, parts)});
    }
    return this.made.get(key);
  }

  /** P(state | parents) of a node; of a gauge that of its words. */
  table(name, context) {
    const made = this.numbersOf(name, context);
    if (!made.table) made.table = wordTable(this.nodes[name], made);
    return made.table;
  }

  map(home, names) {
    const key = home + ":" + names.join();
    if (!this.maps.has(key))
      this.maps.set(key, cellMap(this.cliques[home].scope, this.cards, names));
    return this.maps.get(key);
  }

  /** Potentials of all cliques without evidence. */
  priors(context) {
    const used = new Set(Object.values(this.nodes).flatMap((node) => node.keys));
    const key = [...used].sort().map((name) => context[name] || "").join("|");
    if (!this.compiled.has(key)) {
      const priors = this.cliques.map((clique) => new Float64Array(clique.size).fill(1));
      for (const [name, node] of Object.entries(this.nodes)) {
        if (!node.hidden) continue;
        const map = this.map(node.home, [...node.parents, name]);
        const table = this.table(name, context), prior = priors[node.home];
        for (let i = 0; i < prior.length; i++) prior[i] *= table[map[i]];
      }
      this.compiled.set(key, priors);
    }
    return this.compiled.get(key);
  }

  /** Likelihood of every parent configuration of a node; null where nothing is known of it. */
  likelihood(name, context, evidence) {
    const node = this.nodes[name], card = this.cards[name];
    const rows = node.hidden ? card : product(node.parents.map((parent) => this.cards[parent]));
    const code = evidence.codes[name], soft = evidence.soft[name], number = evidence.numbers[name];
    if (!(code >= 0) && !soft && !number) return null;
    const values = new Float64Array(rows).fill(1);
    const weigh = (weights) => {
      const table = node.hidden ? null : this.table(name, context);
      for (let row = 0; row < rows; row++) {
        let sum = 0;
        if (table) for (let s = 0; s < card; s++) sum += table[row * card + s] * weights[s];
        else sum = weights[row];
        values[row] *= sum;
      }
    };
    if (code >= 0) weigh(Array.from({length: card}, (_, state) => (state === code ? 1 : 0)));
    if (soft) weigh(soft);
    if (number) {
      const [value, extra] = number, {mean, spread} = this.numbersOf(name, context);
      const slip = node.share * normalDensity(value, Math.hypot(node.wide, extra));
      for (let row = 0; row < rows; row++)
        values[row] *= (1 - node.share)
          * normalDensity(value - mean[row], Math.hypot(spread[row], extra)) + slip;
    }
    return values;
  }

  /** Posterior of every clique and the log evidence; minus infinity is impossible. */
  propagate(context, given) {
    const evidence = merged(given);
    const beliefs = this.priors(context).map((prior) => prior.slice());
    let logEvidence = 0;
    for (const name of new Set(
      [evidence.codes, evidence.soft, evidence.numbers].flatMap(Object.keys))) {
      const values = this.likelihood(name, context, evidence), node = this.nodes[name];
      if (!values) continue;
      if (evidence.numbers[name]) {
        const peak = values.reduce((a, b) => Math.max(a, b), 0);
        if (peak > 0) for (let i = 0; i < values.length; i++) values[i] /= peak;
        logEvidence += Math.log(peak);
      }
      const home = node.hidden ? node.own : node.home;
      const map = this.map(home, node.hidden ? [name] : node.parents), belief = beliefs[home];
      for (let i = 0; i < belief.length; i++) belief[i] *= values[map[i]];
    }
    const messages = this.cliques.map((clique) => {
      const belief = beliefs[clique.index];
      const message = new Float64Array(clique.separatorSize);
      for (let i = 0; i < belief.length; i++) message[clique.own[i]] += belief[i];
      const total = message.reduce((a, b) => a + b, 0);
      logEvidence += Math.log(total);
      const scale = total > 0 ? 1 / total : 0;
      for (let i = 0; i < message.length; i++) message[i] *= scale;
      for (let i = 0; i < belief.length; i++) belief[i] *= scale;
      if (clique.parent >= 0) {
        const above = beliefs[clique.parent];
        for (let i = 0; i < above.length; i++) above[i] *= message[clique.above[i]];
      }
      return message;
    });
    for (const clique of [...this.cliques].reverse()) {
      if (clique.parent < 0) continue;
      const above = beliefs[clique.parent], belief = beliefs[clique.index];
      const ratio = new Float64Array(clique.separatorSize), inward = messages[clique.index];
      for (let i = 0; i < above.length; i++) ratio[clique.above[i]] += above[i];
      for (let i = 0; i < ratio.length; i++) ratio[i] = inward[i] > 0 ? ratio[i] / inward[i] : 0;
      for (let i = 0; i < belief.length; i++) belief[i] *= ratio[clique.own[i]];
    }
    return {logEvidence, beliefs, context, evidence, given};
  }

  marginal(beliefs, name) {
    const home = this.nodes[name].own, map = this.map(home, [name]);
    const sum = new Float64Array(this.cards[name]);
    beliefs[home].forEach((value, i) => { sum[map[i]] += value; });
    return sum;
  }

  /** Marginals of all faults, chances of all conditions, and that nothing is wrong. */
  believe(context, evidence) {
    const posterior = this.propagate(context, evidence);
    const faults = {};
    for (const name of this.data.faults) faults[name] = this.marginal(posterior.beliefs, name);
    const conditions = {};
    for (const [name, condition] of Object.entries(this.data.conditions))
      conditions[name] = condition.states.reduce((sum, state) =>
        sum + faults[condition.variable][this.nodes[condition.variable].states.indexOf(state)], 0);
    return {...posterior, faults, conditions, sound: this.soundShare(posterior)};
  }

  soundShare({logEvidence, context, given}) {
    if (!(logEvidence > -Infinity)) return 0;
    const {codes, soft, numbers} = merged(given);
    const sound = {codes: {...codes}, soft: {...soft}, numbers};
    for (const name of this.data.faults) {
      const first = this.nodes[name].states.map((_, state) => (state === 0 ? 1 : 0));
      const known = soft[name] || first.map(() => 1);
      const only = codes[name] >= 0 && codes[name] !== 0 ? first.map(() => 0) : first;
      delete sound.codes[name];
      sound.soft[name] = known.map((weight, state) => weight * only[state]);
    }
    const log = this.propagate(context, sound).logEvidence;
    return log > -Infinity ? Math.min(1, Math.exp(log - logEvidence)) : 0;
  }
}
