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

// Loops over cells stand in functions of their own: a browser makes a short one that is met often
// fast on the first car already.

function weighedBy(values, factors, map) {
  for (let i = 0; i < values.length; i++) values[i] *= factors[map[i]];
}

function sumInto(sums, values, map) {
  for (let i = 0; i < values.length; i++) sums[map[i]] += values[i];
}

function scaled(values, factor) {
  for (let i = 0; i < values.length; i++) values[i] *= factor;
}

function total(values) {
  let sum = 0;
  for (let i = 0; i < values.length; i++) sum += values[i];
  return sum;
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
    for (const clique of this.cliques) {
      clique.hidden = Object.keys(this.nodes).filter((name) =>
        this.nodes[name].hidden && this.nodes[name].home === clique.index);
      clique.keys = [...new Set(clique.hidden.flatMap((name) => this.nodes[name].keys))];
      clique.sound = this.soundCells(clique);
    }
    this.maps = new Map();
    this.made = new Map();
    this.shares = data.scales.contexts_known;
    this.compiled = new Map();
  }

  /** Cells of a clique in which every fault is in its sound state. */
  soundCells({scope, size}) {
    const faults = scope.filter((name) => this.data.faults.includes(name));
    const states = cellMap(scope, this.cards, faults);
    return Int32Array.from({length: size}, (_, i) => i).filter((i) => states[i] === 0);
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

  /** Potentials of all cliques without evidence; each is made once for what it hangs on. */
  priors(context) {
    return this.cliques.map((clique) => {
      const {index, size, hidden, keys} = clique;
      const key = `${index}:${keys.map((name) => context[name] || "").join("|")}`;
      if (!this.compiled.has(key)) {
        const prior = new Float64Array(size).fill(1);
        for (const name of hidden)
          weighedBy(prior, this.table(name, context),
            this.map(index, [...this.nodes[name].parents, name]));
        this.compiled.set(key, prior);
      }
      return this.compiled.get(key);
    });
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
      weighedBy(beliefs[home], values, this.map(home, node.hidden ? [name] : node.parents));
    }
    const messages = this.cliques.map(({index, parent, separatorSize, own, above}) => {
      const belief = beliefs[index], message = new Float64Array(separatorSize);
      sumInto(message, belief, own);
      const sum = total(message), scale = sum > 0 ? 1 / sum : 0;
      logEvidence += Math.log(sum);
      scaled(message, scale);
      scaled(belief, scale);
      if (parent >= 0) weighedBy(beliefs[parent], message, above);
      return message;
    });
    for (let index = this.cliques.length - 1; index >= 0; index--) {
      const {parent, separatorSize, own, above} = this.cliques[index];
      if (parent < 0) continue;
      const ratio = new Float64Array(separatorSize), inward = messages[index];
      sumInto(ratio, beliefs[parent], above);
      for (let i = 0; i < ratio.length; i++) ratio[i] = inward[i] > 0 ? ratio[i] / inward[i] : 0;
      weighedBy(beliefs[index], ratio, own);
    }
    return {logEvidence, beliefs, context, evidence, given};
  }

  marginal(beliefs, name) {
    const home = this.nodes[name].own, map = this.map(home, [name]);
    const sum = new Float64Array(this.cards[name]);
    sumInto(sum, beliefs[home], map);
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

  /** P(every fault is in its sound state), from calibrated cliques: one pass over these cells. */
  soundShare({logEvidence, beliefs}) {
    if (!(logEvidence > -Infinity)) return 0;
    const inward = this.cliques.map(() => null), children = this.cliques.map(() => []);
    let share = 1;
    for (const {index, parent, sound, separatorSize, own} of this.cliques) {
      const belief = beliefs[index], message = new Float64Array(separatorSize);
      const separator = new Float64Array(separatorSize);
      sumInto(separator, belief, own);
      for (const cell of sound) {
        let value = belief[cell];
        for (const child of children[index]) value *= inward[child][this.cliques[child].above[cell]];
        message[own[cell]] += value;
      }
      if (parent < 0) share *= total(message) / total(separator);
      else {
        for (let i = 0; i < message.length; i++)
          message[i] = separator[i] > 0 ? message[i] / separator[i] : 0;
        inward[index] = message;
        children[parent].push(index);
      }
    }
    return Math.min(1, share);
  }
}
