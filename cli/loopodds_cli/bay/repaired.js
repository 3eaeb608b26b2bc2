"use strict";
// A car after repairs (diagnosis/repaired_car.py and past_evidence.py): the same network, with what
// was before kept beside what is now. What Python leaves out and merges is left out and merged here
// too, as far as the network that it is merged from is not too large for a phone.

const beforeRepair = (name, number) => `${name} (before repair ${number})`;
const throughRepairs = (name) => `${name} (through repairs)`;
const STAYING = ["setting", "altitude"];
const MOST_TREES = 4;

/** An array with some states of one of its axes, in the order given. */
function takenStates(values, shape, axis, states) {
  const inner = product(shape.slice(axis + 1)), outer = product(shape.slice(0, axis));
  const out = new Float64Array(outer * states.length * inner);
  for (let o = 0, cell = 0; o < outer; o++)
    for (const state of states)
      for (let i = 0, from = (o * shape[axis] + state) * inner; i < inner; i++)
        out[cell++] = values[from + i];
  return out;
}

/** Names level by level, every parent before its children, within a level in the order given. */
function levels(parents) {
  const placed = new Set(), order = [];
  let left = [...parents.keys()];
  while (left.length) {
    const level = left.filter((name) => parents.get(name).every((one) =>
      placed.has(one) || !parents.has(one)));
    if (!level.length) throw new Error("the network of this repair has a cycle");
    for (const name of level) placed.add(name);
    order.push(...level);
    left = left.filter((name) => !placed.has(name));
  }
  return order;
}

/** A junction tree whose numbers are made of those of the plain one. */
class RepairedTree extends Tree {
  constructor(plain, nodes, cliques) {
    super({tree: {...plain.data, nodes, cliques}, numbers: plain.numbers,
      scales: {contexts_known: plain.shares}});
  }

  numbersOf(name) {
    if (!this.made.has(name)) this.made.set(name, this.nodes[name].make());
    return this.made.get(name);
  }
}

/** The network of a car on which repairs were done, in the making. */
class RepairedNetwork {
  constructor(repairs, plain, names, context, contexts) {
    Object.assign(this, {repairs, plain});
    this.now = contexts.length;
    this.contexts = [...contexts, context];
    this.apart = names.map((then) => [...then].filter(([name, was]) => was !== name));
    this.moments = [...this.contexts.keys()].filter((moment) =>
      moment === 0 || moment === this.now || this.apart[moment].length);
  }

  /** Courses that a fault can have taken, with their chances given how it came. */
  coursesOf(name, count, done) {
    let found = new Map(Array.from({length: count}, (_, state) => [String(state),
      {course: [state], p: 1}]));
    done.forEach(({chances}, moment) => {
      const after = new Map(), chance = chances[name] || new Array(count).fill(0);
      for (const {course, p} of found.values()) {
        const state = course[course.length - 1];
        const kept = this.moments.includes(moment) ? course : course.slice(0, -1);
        for (const [end, share] of [[state, 1 - chance[state]], [0, chance[state]]]) {
          const key = [...kept, end].join();
          after.set(key, {course: [...kept, end], p: (after.get(key)?.p || 0) + p * share});
        }
      }
      found = new Map([...after].filter(([, {p}]) => p > 0));
    });
    return [...found.values()];
  }

  called(name, moment) {
    const later = this.done.slice(moment).findIndex(({changed}) => changed.has(name));
    return later < 0 ? name : beforeRepair(name, moment + later + 1);
  }

  /** A node of the plain network as it was at a moment: parents, and how its numbers are made. */
  node(base, moment) {
    const told = this.plain.nodes[base], place = this.moments.indexOf(moment);
    const picks = told.parents.map((parent) => this.courses[parent]
      && this.courses[parent].map(({course}) => course[place]));
    const shape = told.parents.map((parent) => this.plain.cards[parent]);
    const rest = told.gauge ? [] : [told.states.length];
    const taken = (values) => picks.reduce(([all, sizes], states, axis) => (states
      ? [takenStates(all, sizes, axis, states), sizes.with(axis, states.length)]
      : [all, sizes]), [values, [...shape, ...rest]])[0];
    const make = () => {
      const {table, mean, spread} = this.plain.numbersOf(base, this.contexts[moment]);
      return told.gauge ? {mean: taken(mean), spread: taken(spread)} : {table: taken(table)};
    };
    const parents = told.parents.map((parent) => (this.courses[parent] ? throughRepairs(parent)
      : this.called(parent, moment)));
    return {...told, parents, keys: [], make};
  }

  followed(fault) {
    const came = this.node(fault, 0), courses = this.courses[fault];
    const count = came.states.length;
    const make = () => {
      const {table} = came.make(), rows = table.length / count;
      const out = takenStates(table, [rows, count], 1, courses.map(({course}) => course[0]));
      return {table: out.map((value, i) => value * courses[i % courses.length].p)};
    };
    return {...came, states: courses.map(({course}) => course.join()), make};
  }

  atLast(fault) {
    const {states} = this.plain.nodes[fault], courses = this.courses[fault];
    const table = Float64Array.from(courses.flatMap(({course}) =>
      states.map((_, state) => Number(state === course[course.length - 1]))));
    return {...this.plain.nodes[fault], parents: [throughRepairs(fault)], keys: [],
      make: () => ({table})};
  }

  /** All nodes, hidden ones in their order; and the plan of a tree for them. */
  laidOut() {
    const {nodes} = this.plain;
    this.done = this.repairs;
    const cured = new Set(this.done.flatMap(({chances}) => Object.keys(chances)));
    this.courses = {};
    for (const name of cured)
      this.courses[name] = this.coursesOf(name, nodes[name].states.length, this.done);
    const hidden = new Map(), seen = new Map();
    for (const [name, node] of Object.entries(nodes)) {
      if (!node.hidden) seen.set(name, this.node(name, this.now));
      else if (this.courses[name]) {
        hidden.set(throughRepairs(name), this.followed(name));
        hidden.set(name, this.atLast(name));
      } else for (const moment of this.moments) {
        const here = this.called(name, moment);
        if (!hidden.has(here)) hidden.set(here, this.node(name, moment));
      }
    }
    this.apart.forEach((names, moment) => {
      for (const [name, was] of names) seen.set(was, this.node(name, moment));
    });
    const bearing = this.bearing(hidden, seen);
    const order = levels(new Map([...bearing].map(([name, {parents}]) => [name, parents])));
    const cards = new Map(order.map((name) => [name, bearing.get(name).states.length]));
    const families = order.map((name) => [...bearing.get(name).parents, name]);
    const plan = treePlan([...families, ...[...seen.values()].map(({parents}) => parents)], cards);
    return {hidden: bearing, seen, order, plan};
  }

  /** Without what the car was before where that bears on nothing. */
  bearing(hidden, seen) {
    const kept = new Map(hidden), outer = [...seen.values()].flatMap(({parents}) => parents);
    for (;;) {
      const used = new Set([...outer, ...[...kept.values()].flatMap(({parents}) => parents)]);
      const idle = [...kept.keys()].filter((name) => !this.plain.nodes[name] && !used.has(name));
      if (!idle.length) return kept;
      idle.forEach((name) => kept.delete(name));
    }
  }

  tree() {
    const {hidden, seen, order, plan} = this.laidOut();
    const cliques = plan.cliques(), scopes = cliques.map(({scope}) => new Set(scope));
    const sizes = cliques.map(({scope}) => product(scope.map((n) => hidden.get(n).states.length)));
    const home = (names) => scopes.reduce((best, scope, i) => (names.every((n) => scope.has(n))
      && (best < 0 || sizes[i] < sizes[best]) ? i : best), -1);
    const nodes = {};
    for (const name of order) {
      const node = hidden.get(name);
      nodes[name] = {...node, home: home([...node.parents, name]), own: home([name])};
    }
    for (const [name, node] of seen) nodes[name] = {...node, home: home(node.parents)};
    return new RepairedTree(this.plain, nodes, cliques);
  }
}

/** Follows cases through their repairs, with a tree for each way in which a car was repaired. */
class Repairs {
  constructor(data, scales, tree) {
    Object.assign(this, {data: data.repairs, rules: data.rules, scales, plain: tree});
    this.history = new Set(tree.data.history);
    this.trees = new Map();
  }

  /** Chance that services together remove each state of each fault (knowledge/cures.py). */
  chances(services) {
    const works = services.map((name) => this.data.services[name]), found = {};
    for (const fault of this.plain.data.faults) {
      const own = works.flatMap((work) => (work.own[fault] ? [work.own[fault]] : []));
      const filled = works.flatMap((work) => (work.filled[fault] ? [work.filled[fault]] : []));
      if (!own.length && !filled.length) continue;
      found[fault] = this.plain.nodes[fault].states.map((_, state) =>
        1 - own.reduce((left, one) => left * (1 - one[state]), 1)
          * (1 - Math.max(0, ...filled.map((one) => one[state]))));
    }
    return found;
  }

  /** What was seen before each repair and since, as evidence; conditions are told once. */
  rounds(state) {
    const now = sectionsOf(state.noted), {vehicle, history} = now;
    let conditions = Object.fromEntries(Object.entries(now.conditions)
      .filter(([name]) => STAYING.includes(name)));
    const repairs = state.repairs.map(({services, noted}, number) => {
      const then = sectionsOf(noted);
      conditions = {...conditions, ...then.conditions};
      const {contexts, evidence} = this.scales.evidence({...then, vehicle, history, conditions});
      const implied = number ? {} : this.implying(evidence, (name) =>
        this.scales.words[name]?.kind === "finding");
      const known = services.filter((name) => name in this.data.services);
      const given = {...evidence, implied};
      return {contexts, evidence: given, services: known, chances: this.chances(known),
        changed: new Set(known.flatMap((name) => this.data.services[name].changes)),
        seen: new Set([...namesSeen(given), ...Object.keys(implied)]
          .filter((name) => !this.history.has(name)))};
    });
    const found = this.scales.evidence({...now, conditions: {...conditions, ...now.conditions}});
    return {repairs, found};
  }

  implying(evidence, meant) {
    return Object.fromEntries(Object.entries(evidence.implied).filter(([name]) => meant(name)));
  }

  /** For each repair the names under which what was seen before it is evidence now. */
  namesBefore(repairs, seenNow, context) {
    let again = new Set(seenNow);
    const changed = new Set(), found = [];
    for (let number = repairs.length; number > 0; number--) {
      const repair = repairs[number - 1], {contexts} = repair;
      again = new Set([...again].filter((name) => !repair.changed.has(name)));
      repair.changed.forEach((name) => changed.add(name));
      const differ = (key) => contexts[key] !== context[key];
      const other = (name) => changed.has(name) || this.plain.nodes[name].keys.some(differ);
      const standing = [...repair.seen].filter((name) => !again.has(name)).sort();
      found.unshift(new Map(standing.map((name) =>
        [name, other(name) ? beforeRepair(name, number) : name])));
      repair.seen.forEach((name) => again.add(name));
    }
    return found;
  }

  network(repairs, context) {
    return new RepairedNetwork(repairs, this.plain, this.namesBefore(repairs, [], context),
      context, repairs.map(({contexts}) => contexts));
  }

  /** What is followed of a car with these repairs, and its tree; null where that is too much. */
  treeOf(repairs, context) {
    const key = JSON.stringify([context, ...repairs.map(({services, contexts, evidence}) =>
      [services, contexts, evidence])]);
    if (!this.trees.has(key)) {
      if (this.trees.size >= MOST_TREES) this.trees.clear();
      this.trees.set(key, this.made(repairs, context));
    }
    return this.trees.get(key);
  }

  made(repairs, context) {
    const {most_cells, merged_cells, page_cells} = this.data;
    const own = this.thatFits(repairs, context, most_cells);
    const {plan} = own.network.laidOut();
    if (plan.space > most_cells) return null;
    const made = {used: own.used, tree: own.network.tree(), merged: {}};
    if (own.whole) return made;
    const wide = this.thatFits(repairs, context, merged_cells);
    if (wide.kept === own.kept) return made;
    if (wide.network.laidOut().plan.space > page_cells) return null;
    const aim = this.faultsAfter(repairs, {...wide, tree: wide.network.tree()}, context, {});
    return {...made, merged: this.merged(repairs, made, context, aim)};
  }

  /** As much of what was seen before repairs as can be followed, from the last one backwards. */
  thatFits(repairs, context, most) {
    const names = this.namesBefore(repairs, [], context);
    const moved = names.map((then) => [...then].filter(([name, was]) => was !== name)
      .map(([name]) => name));
    let used = repairs.map((repair, i) => ({...repair,
      seen: new Set([...names[i].keys()].filter((name) => !moved[i].includes(name)))}));
    const places = [...moved.keys()].filter((i) => moved[i].length).reverse();
    const left = moved.map((gone) => gone.length);
    let whole = true;
    for (const place of places.slice(0, this.data.most_rounds)) {
      const choices = this.thinned(moved[place], repairs.slice(place));
      const taken = (whole ? choices : choices.slice(-1)).map((kept) => ({kept,
        tried: used.with(place, {...used[place], seen: new Set([...used[place].seen, ...kept])})}))
        .find(({tried}) => this.network(tried, context).laidOut().plan.space <= most);
      if (!taken) break;
      used = taken.tried;
      left[place] = moved[place].length - taken.kept.length;
      whole = whole && !left[place];
    }
    return {used, whole: left.every((count) => !count), network: this.network(used, context),
      kept: JSON.stringify(used.map(({seen}) => [...seen].sort()))};
  }

  /** Names seen before some repairs: all, without those on one shared effect, without any such. */
  thinned(names, later) {
    const changed = new Set(later.flatMap((repair) => [...repair.changed]));
    const effects = this.data.mechanisms.filter((name) => changed.has(name)).sort();
    const hangs = new Map(names.map((name) => [name, this.effectsOn(name, effects)]));
    const choices = [names, ...effects.map((effect) => names.filter((name) =>
      !hangs.get(name).has(effect))), names.filter((name) => !hangs.get(name).size)];
    const sorted = choices.map((kept) => [...kept].sort());
    const apart = [...new Map(sorted.map((kept) => [kept.join("|"), kept])).values()];
    const earlier = (a, b) => {
      const at = a.findIndex((name, i) => name !== b[i]);
      return at < 0 ? 0 : a[at] < b[at] ? -1 : 1;
    };
    return apart.sort((a, b) => b.length - a.length || earlier(a, b));
  }

  effectsOn(name, effects) {
    const direct = effects.filter((effect) => this.plain.nodes[name].parents.includes(effect));
    return new Set([...direct, ...direct.flatMap((one) => [...this.effectsOn(one, effects)])]);
  }

  /** What was left out, merged into what it makes of each fault by itself: iterative proportional
   * fitting, step by step as in Python. */
  merged(repairs, own, context, aim) {
    const {merged_within: within_, steps_at_most: steps, stride} = this.data;
    const faults = Object.keys(aim);
    if (!faults.every((name) => aim[name].some((chance) => chance))) return {};
    let likelihoods = Object.fromEntries(faults.map((name) => [name, aim[name].map(() => 1)]));
    for (let step = 0; step < steps; step++) {
      const here = this.faultsAfter(repairs, own, context, likelihoods);
      const apart = faults.map((name) => Math.max(...here[name].map((chance, i) =>
        Math.abs(chance - aim[name][i]))));
      if (Math.max(...apart) < within_) break;
      likelihoods = Object.fromEntries(faults.map((name) => [name, likelihoods[name].map((weight, i) =>
        weight * (here[name][i] > 0 ? aim[name][i] / here[name][i] : 0) ** stride)]));
    }
    return likelihoods;
  }

  /** Chances of every fault when nothing was seen since the last repair. */
  faultsAfter(repairs, {used, tree}, context, likelihoods) {
    const none = {codes: {}, soft: {}, numbers: {}, implied: {}};
    const evidence = this.withPast(repairs, used, none, context);
    Object.assign(evidence.implied, likelihoods);
    const {beliefs} = tree.propagate(context, evidence);
    return Object.fromEntries(this.plain.data.faults.map((name) =>
      [name, [...tree.marginal(beliefs, name)]]));
  }

  /** Evidence since the last repair, with that of the rounds before it. */
  withPast(repairs, used, now, context) {
    const evidence = Object.fromEntries(Object.entries(now).map(([part, held]) =>
      [part, {...held}]));
    const names = this.namesBefore(used, namesSeen(now), context);
    repairs.forEach((repair, i) => {
      for (const [name, was] of names[i])
        for (const part of Object.keys(evidence))
          if (name in repair.evidence[part]) evidence[part][was] = repair.evidence[part][name];
    });
    return evidence;
  }

  /** Tree and evidence of a case as it stands, and what is there now; null where it cannot be
   * followed. */
  followed(state) {
    const {repairs, found} = this.rounds(state);
    const made = this.treeOf(repairs, found.contexts);
    if (!made) return null;
    const done = new Set(repairs.flatMap(({chances}) => Object.keys(chances)));
    const {codes, soft, numbers} = found.evidence, {faults} = this.plain.data;
    const implied = this.implying(found.evidence, (name) => faults.includes(name)
      && !done.has(name));
    const evidence = this.withPast(repairs, made.used, {codes, soft, numbers, implied},
      found.contexts);
    Object.assign(evidence.implied, made.merged);
    return {tree: made.tree, evidence, found};
  }

  /** Tests whose results stand (casebook/believed.py): a repair makes some of them out of date. */
  testsDone(state) {
    let done = [];
    for (const {services, tests} of state.repairs) {
      const known = services.filter((name) => name in this.data.services);
      const changed = new Set(known.flatMap((name) => this.data.services[name].changes));
      const filled = known.some((name) => this.data.services[name].fills);
      done = [...done, ...tests].filter((name) => name in this.rules.tests
        && !(filled && this.data.empty_loop.includes(name))
        && !within(changed, this.rules.tests[name].yields || []));
    }
    return [...new Set([...done, ...state.tests.filter((name) => name in this.rules.tests)])];
  }

  /** What is seen while the services of the last repair are done. */
  shown(state) {
    const last = state.repairs[state.repairs.length - 1];
    return last ? last.services.flatMap((name) => this.data.services[name]?.shown || []) : [];
  }
}

const namesSeen = ({codes, soft, numbers}) => [...new Set([
  ...Object.keys(codes).filter((name) => codes[name] >= 0),
  ...Object.keys(soft).filter((name) => spreads(soft[name])), ...Object.keys(numbers)])];
