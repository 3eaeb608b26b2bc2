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
    this.compiled = new Map();
  }

  /** Which version of a node's numbers holds in a context. */
  version(name, context) {
    const node = this.nodes[name];
    return node.keys.reduce((index, key, i) => {
      const options = node.options[i];
      return index * options.length + options.indexOf(context[key] || "");
    }, 0);
  }

  table(name, context) {
    return this.numbers(this.nodes[name].table[this.version(name, context)]);
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
    const table = node.hidden ? null : this.table(name, context);
    const weigh = (weights) => {
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
      const [value, extra] = number, which = this.version(name, context);
      const mean = this.numbers(node.mean[which]), spread = this.numbers(node.spread[which]);
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
