"use strict";
// Stops and gates: a small interpreter of the exported rules (safety/stops.py, decision/gates.py).
// What is shut here is shut in Python, and the other way round.

const spaced = (word) => word.replaceAll("_", " ");
const within = (set, names) => names.some((name) => set.has(name));

/** The rules for cars of one make-up. */
class Gates {
  constructor(data, context) {
    this.rules = data.rules;
    this.nodes = data.tree.nodes;
    this.context = context;
    const {tests} = this.rules;
    this.guards = Object.fromEntries(Object.entries(tests)
      .filter(([, test]) => test.passes).map(([name, test]) => [name, test.passes]));
    const plain = this.eachTest((test) => this.needed(test));
    const behind = this.eachTest((test) => new Set(this.closure(test, plain)));
    this.needs = this.eachTest((_, name) => [...new Set(
      [...Object.keys(this.guards).filter((guard) => behind[name].has(guard)), ...plain[name]])]);
    this.never = this.eachTest((test, name) => this.closedHere(name, test));
    this.stoppedBy = Object.fromEntries(
      Object.keys(this.guards).map((guard) => [guard, this.behindGuard(guard)]));
    this.barred = Object.fromEntries(Object.entries(this.rules.stops)
      .map(([name, stop]) => [name, this.shutHere(stop)]));
    this.results = new Set([
      ...Object.values(this.guards).flatMap((passes) => Object.keys(passes)),
      ...Object.values(this.rules.stops).flatMap((stop) => stop.shuts ? stop.when : [])
        .filter((trigger) => !Object.keys(trigger.believed).length)
        .flatMap((trigger) => Object.keys(trigger.seen))]);
  }

  eachTest(make) {
    return Object.fromEntries(Object.entries(this.rules.tests)
      .map(([name, test]) => [name, make(test, name)]));
  }

  work(name) { return this.rules.tests[name] || this.rules.services[name]; }

  here(item) {
    return (item.in_context || []).filter(({when}) => Object.entries(when)
      .every(([key, value]) => (this.context[key] ?? value) === value));
  }

  needed(item) {
    return [...new Set([...(item.after || []), ...this.here(item).flatMap((b) => b.after || [])])];
  }

  skills(item) {
    return [...(item.skill || []), ...this.here(item).flatMap((block) => block.skill || [])];
  }

  closure(item, needs = this.needs) {
    const found = [], waiting = this.needed(item).filter((name) => this.rules.tests[name]);
    while (waiting.length) {
      const name = waiting.pop();
      if (found.includes(name)) continue;
      found.push(name);
      waiting.push(...needs[name]);
    }
    return found;
  }

  /** Why a test or service can never be done on this car here; empty where it can. */
  closedHere(name, item) {
    if (this.rules.cannot.includes(name)) return "this workshop does not do it";
    const only = Object.entries(item.only || {});
    for (const [key, value] of only)
      if ((this.context[key] ?? value) !== value) return `only with ${spaced(key)} ${value}`;
    const missing = this.skills(item).filter((skill) => !this.rules.skills.includes(skill));
    if (missing.length) return `only for people qualified for ${missing.map(spaced).join(", ")}`;
    for (const [key, value] of only)
      if (!(key in this.context)) return `only with ${spaced(key)} ${value}; say if it is so`;
    for (const [key, value] of Object.entries(item.never || {}))
      if ((this.context[key] ?? value) === value) return `not with ${spaced(key)} ${value}`;
    return "";
  }

  behindGuard(guard) {
    const stopped = new Set();
    let waiting = new Set([guard]);
    while ([...waiting].some((name) => !stopped.has(name))) {
      waiting.forEach((name) => stopped.add(name));
      waiting = new Set(Object.entries(this.needs)
        .filter(([, needs]) => within(stopped, needs)).map(([name]) => name));
    }
    stopped.delete(guard);
    return stopped;
  }

  shutHere(stop) {
    const able = (stop.spares || []).filter((name) => {
      const service = this.rules.services[name];
      return service && this.skills(service).length && !this.closedHere(name, service);
    });
    const needed = new Set(able.flatMap((name) => this.closure(this.rules.services[name])));
    return new Set(stop.shut.filter((name) => !needed.has(name)));
  }

  seen(name, states, share, facts) {
    const node = this.nodes[name];
    if (!node) return false;
    const code = facts.codes[name], soft = facts.soft[name];
    if (code >= 0 && states.includes(node.states[code])) return true;
    if (!soft || !spreads(soft)) return false;
    const sum = (meant) => soft.reduce((a, w, i) => a + (meant(node.states[i]) ? w : 0), 0);
    return sum((state) => states.includes(state)) >= share * sum(() => true);
  }

  triggerHolds(trigger, facts) {
    const {alarming, proved} = this.rules.shares, each = Object.entries;
    return each(trigger.context).every(([key, value]) => this.context[key] === value)
      && each(trigger.seen).every(([name, states]) => this.seen(name, states, alarming, facts))
      && each(trigger.unseen).every(([name, states]) => !this.seen(name, states, proved, facts))
      && each(trigger.at_least).every(([name, least]) => facts.bars[name] >= least)
      && each(trigger.at_most).every(([name, most]) => facts.bars[name] <= most)
      && (!trigger.done.length || trigger.done.some((name) => facts.done.includes(name)))
      && each(trigger.believed).every(([target, least]) => facts.chance(target) >= least)
      && each(trigger.doubted).every(([target, most]) => facts.chance(target) < most);
  }

  /** How far a car has come, and the stops that it brings about; `course`: tests in order. */
  progress(facts, told, shown = [], course = told) {
    const {tests, stops} = this.rules;
    const seen = new Set([...Object.keys(facts.codes), ...Object.keys(facts.soft),
      ...Object.keys(facts.numbers)]);
    const tested = new Set([...seen].filter((name) => !shown.includes(name)));
    const inferred = Object.keys(tests).filter((name) =>
      !told.includes(name) && within(tested, tests[name].yields || []));
    const all = (names) => names.every((name) => seen.has(name));
    const results = [...this.results].filter((name) => seen.has(name)).sort().map((name) =>
      [name, facts.codes[name] >= 0 ? this.nodes[name].states[facts.codes[name]] : ""]);
    const done = [...inferred, ...told].filter((name) => all(Object.keys(this.guards[name] || {})));
    const known = {...facts, done};
    const held = Object.entries(stops).map(([name, stop]) =>
      [name, stop.when.filter((trigger) => this.triggerHolds(trigger, known))])
      .filter(([, holding]) => holding.length);
    const recorded = new Set([...Object.keys(facts.codes), ...Object.keys(facts.soft)]);
    const pending = held.flatMap(([name, holding]) => {
      const wanted = holding.map((trigger) => Object.keys(trigger.unseen));
      const common = wanted[0].filter((finding) => !recorded.has(finding)
        && wanted.every((names) => names.includes(finding)));
      return Object.entries(this.guards).filter(([, passes]) =>
        common.some((finding) => finding in passes)).map(([guard]) => [name, guard]);
    });
    const left = [...inferred, ...told].reduce((stands, name) => this.ended(name, stands),
      this.atStart());
    return {
      done, results, pending, standing: this.after(course, left),
      begun: new Set(inferred.filter((name) => !all(tests[name].yields))),
      stops: held.map(([name]) => name),
      holding: Object.fromEntries(held),
      waived: new Set(held.flatMap(([, holding]) => holding.flatMap((t) => t.waives))),
    };
  }

  shutBy(stop, progress) {
    const lifting = new Set(
      progress.pending.filter(([name]) => name === stop).map(([, guard]) => guard));
    return new Set([...this.barred[stop]].filter((name) =>
      !within(lifting, [name, ...this.closure(this.work(name))])));
  }

  /** Why a stop or a guard that was not passed shuts a test. */
  shut(name, progress) {
    for (const stop of progress.stops)
      if (this.shutBy(stop, progress).has(name)) return this.rules.stops[stop].title;
    for (const [finding, state] of progress.results) {
      const failed = Object.keys(this.guards).filter((guard) => this.guards[guard][finding]
        && !this.guards[guard][finding].includes(state));
      if (failed.some((guard) => this.stoppedBy[guard].has(name)))
        return `${this.nodes[finding].title || spaced(finding)}: not before that is put right`;
    }
    return "";
  }

  spoilt(name, done) {
    const by = done.find((other) => (this.rules.tests[other].destroys || []).includes(name));
    return by ? `no longer possible after: ${this.rules.tests[by].title}` : "";
  }

  /** Set-ups that have to be brought about for a test. */
  due(name, standing) {
    const {set_up = [], anew = []} = this.rules.tests[name];
    return set_up.filter((one) => !standing.has(one) || anew.includes(one));
  }

  /** Minutes of a test with the set-ups that it needs and that do not stand. */
  minutes(name, standing) { return this.rules.tests[name].minutes + this.waiting(name, standing); }

  waiting(name, standing) {
    return this.due(name, standing).reduce((sum, one) => sum + this.rules.set_ups[one].minutes, 0);
  }

  /** Set-ups that stand when a test was done at some time of which nothing is known. */
  ended(name, standing) {
    const {engine, upsets = []} = this.rules.tests[name], {set_ups: known} = this.rules;
    return new Set([...standing].filter((one) => known[one].ended_by !== engine
      && !upsets.includes(one)));
  }

  /** Set-ups that stand when tests were done one after the other (decision/moves.py). */
  after(names, standing) {
    return names.reduce((stands, name) => {
      const {set_up = [], upsets = []} = this.rules.tests[name];
      const had = [...this.ended(name, stands), ...set_up];
      return new Set(had.filter((one) => !upsets.includes(one)));
    }, standing);
  }

  atStart() {
    const {set_ups: known} = this.rules;
    return new Set(Object.keys(known).filter((name) => known[name].at_start));
  }

  stale(name, done) {
    const test = this.rules.tests[name], from = test.fresh_from;
    if (!test.fresh_minutes || !from || !done.includes(from)) return false;
    const last = done.lastIndexOf(from);
    let standing = this.after(done.slice(0, last + 1), this.atStart()), since = 0;
    for (const other of done.slice(last + 1)) {
      since += this.minutes(other, standing);
      standing = this.after([other], standing);
    }
    return since > test.fresh_minutes;
  }

  /** The steps that lead to a test, or why there are none. */
  way(name, progress) {
    const steps = [], done = [...progress.done];
    const why = this.walk(name, done, progress, steps, []);
    return why ? {test: name, why} : {test: name, steps};
  }

  walk(name, done, progress, steps, above) {
    if (above.includes(name)) return `${name} would have to come before itself`;
    const why = this.never[name]
      || (progress.waived.has(name) ? "there is nothing in the loop for it any more" : "")
      || this.spoilt(name, done) || this.shut(name, progress);
    if (why) return why;
    for (const needed of this.needs[name]) {
      if (progress.waived.has(needed) || done.includes(needed)) continue;
      const first = this.walk(needed, done, progress, steps, [...above, name]);
      if (first) return first;
    }
    const from = this.rules.tests[name].fresh_from;
    for (const step of this.stale(name, done) ? [from, name] : [name]) {
      const spoilt = this.spoilt(step, done);
      if (spoilt) return spoilt;
      const before = steps.length ? steps[steps.length - 1].standing : progress.standing;
      steps.push({test: step, minutes: this.minutes(step, before), due: this.due(step, before),
        waiting: this.waiting(step, before), standing: this.after([step], before)});
      done.push(step);
    }
    return "";
  }

  /** Tests that come before a service; null where it cannot be done on this car. */
  needsOf(name, progress) {
    const service = this.rules.services[name];
    const shut = new Set(progress.stops.flatMap((stop) => [...this.shutBy(stop, progress)])
      .filter((one) => !progress.done.includes(one)));
    if (shut.has(name) || this.closedHere(name, service)) return null;
    const failed = progress.results.flatMap(([finding, state]) => Object.keys(this.guards)
      .filter((guard) => (this.guards[guard][finding] || [state]).includes(state) === false));
    const spared = new Set(failed.flatMap((guard) => [...this.stoppedBy[guard]]));
    const needs = this.closure(service).filter((one) =>
      !spared.has(one) && !progress.waived.has(one));
    return needs.some((one) => shut.has(one) || this.never[one]) ? null : new Set(needs);
  }

  /** Every test that can be done now or opened by others. */
  moves(progress) {
    return Object.keys(this.rules.tests)
      .filter((name) => !progress.done.includes(name) || progress.begun.has(name))
      .map((name) => this.way(name, progress)).filter((way) => way.steps);
  }
}

/** What stops ask for, of one car. */
function factsOf(data, scales, belief, {found, evidence}) {
  const {codes, soft, numbers} = evidence, bars = {};
  const gaugeBar = (kpa) => (kpa - scales.constants.sea_level_kpa) / 100;
  for (const name of data.rules.watched) {
    const kpa = scales.reading(found.car, name);
    if (!Number.isNaN(kpa)) bars[name] = gaugeBar(kpa);
    else if (numbers[name]) bars[name] = rungs(scales, found.car, name);
  }
  const chance = (target) => data.rules.targets[target].reduce((sum, [variable, state]) =>
    sum + belief.faults[variable][data.tree.nodes[variable].states.indexOf(state)], 0);
  return {codes, soft, numbers, bars, chance, done: []};
}

/** Gauge pressure [bar] of the middle of a swing, between the rungs that Python reads it from. */
function rungs(scales, car, name) {
  const {sea_level_kpa: sea} = scales.constants;
  const at = scales.saturation(car, name);
  const ladder = Array.from({length: 128}, (_, i) => i / 4)
    .map((bar) => [scales.boiling(car, bar * 100 + sea), bar])
    .filter(([boiling]) => !Number.isNaN(boiling));
  const row = place(ladder.map(([boiling]) => boiling), at);
  const [[low, from], [high, to]] = [ladder[row], ladder[row + 1]];
  const share = Math.min(1, Math.max(0, (at - low) / (high - low)));
  return from + share * (to - from);
}
