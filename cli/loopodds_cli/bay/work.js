"use strict";
// One case as the page sees it: what is known, believed, shut and asked next.

const MOST_OUTCOMES = 6;

class Car {
  constructor(app, key) {
    const {data, store} = app;
    this.app = app;
    this.key = key;
    this.record = store.cases.get(key);
    this.events = store.events(key);
    this.waiting = store.waiting.filter((entry) => entry.case === key).length;
    this.state = replayed(this.events);
    this.repaired = this.state.repairs.length > 0;
    const told = this.told(this.state);
    this.followed = Boolean(told);
    // What cannot be followed here keeps what was known before the repair, so that no stop is lost.
    this.known = told || this.lasting(this.state);
    this.found = this.known.found;
    this.belief = this.believed(this.known);
    this.possible = this.belief.logEvidence > -Infinity;
    this.before = this.beforeLast();
    this.gates = app.gatesOf(this.found.contexts);
    const facts = factsOf(data, app.scales, this.belief, this.known);
    this.progress = this.gates.progress(facts, this.testsDone(),
      this.followed ? app.repairs.shown(this.state) : [], this.course());
    this.odd = this.oddNow();
  }

  /** Evidence of a case with the tree it belongs to; null where its repairs cannot be followed. */
  told(state) {
    const {app} = this;
    if (state.repairs.length) return app.repairs.followed(state);
    const found = app.scales.evidence(sectionsOf(state.noted));
    return {tree: app.tree, found, evidence: found.evidence};
  }

  lasting(state) {
    const all = Object.assign({}, ...state.repairs.map((one) => one.all), state.noted);
    return this.told({repairs: [], noted: all});
  }

  believed({tree, found, evidence}) {
    return this.app.remembered(tree, found.contexts, evidence);
  }

  testsDone() {
    const {tests} = this.app.data.rules;
    const past = this.repaired ? Object.keys(tests).filter((name) => tests[name].as_it_came) : [];
    const done = this.app.repairs.testsDone(this.state);
    return [...past.filter((name) => !done.includes(name)), ...done];
  }

  /** Tests done on the car as it stands, in the order of their first results; of what came with the
   * opening no order is known (casebook/believed.py). */
  course() {
    const {tests} = this.app.data.rules, {amount_of: amounts} = this.app.data.form;
    const {steps} = this.state, course = [];
    for (const {kind, content, time} of steps.slice(steps.findLastIndex((one) =>
      one.kind === "repaired") + 1)) {
      if (time === this.events[0].time) continue;
      if (kind === "test_done" && content.test in tests) course.push(content.test);
      const names = kind === "photographed" ? Object.keys(content.findings)
        : kind === "seen" || kind === "read" ? [content.name] : [];
      const told = new Set(names.map((name) => amounts[name] || name));
      course.push(...Object.keys(tests).filter((name) => !course.includes(name)
        && within(told, tests[name].yields || [])));
    }
    return course;
  }

  /** What was believed before the last step, for what it moved. */
  beforeLast() {
    const steps = this.state.steps;
    if (!steps.length || !this.followed) return null;
    const fewer = this.told(replayed([this.events[0], ...steps.slice(0, -1)]));
    return fewer && this.believed(fewer);
  }

  /** What the server worked out, where it is of the case exactly as it stands. */
  worked(what) {
    const told = this.record && this.record[what];
    const fits = told && !told.problem && !this.waiting
      && told.events === this.record.events.length;
    return fits ? told : null;
  }

  /** What a person should know before trusting the result: the server's words where it has any. */
  remarks() {
    const {advice} = this;
    return advice ? advice.warnings : this.app.remarks(sectionsOf(this.state.noted))
      .all(!this.repaired);
  }

  /** What is odd about the last entry. */
  oddNow() {
    const {steps} = this.state, last = steps[steps.length - 1];
    if (!last || !["seen", "read"].includes(last.kind)) return [];
    const before = this.app.oddOf(replayed([this.events[0], ...steps.slice(0, -1)]).noted);
    return this.app.oddOf(this.state.noted).filter((text) => !before.includes(text));
  }

  get advice() { return this.worked("advice"); }

  /** Tests that come before services and are not done, in the order of the rules. */
  first(services) {
    const {tests} = this.app.data.rules;
    const needed = new Set(services.flatMap((name) => [...(this.gates.needsOf(name,
      this.progress) || [])]));
    return Object.keys(tests).filter((name) => needed.has(name)
      && !this.progress.done.includes(name));
  }

  /** Why a service cannot be done on this car now; empty where it can. */
  whyNot(name) {
    const {stops, services} = this.app.data.rules;
    const never = this.gates.closedHere(name, services[name]);
    if (never) return never;
    const shutting = this.progress.stops.find((stop) =>
      this.gates.shutBy(stop, this.progress).has(name));
    if (shutting) return stops[shutting].title;
    return this.gates.needsOf(name, this.progress) ? "" : "what comes before it cannot be done";
  }

  /** Whether the page itself can say how likely something is now. */
  get itself() { return this.followed || !this.repaired; }

  /** Conditions, most likely first; null where only the server can tell. */
  ranking() {
    const {advice} = this, {conditions} = this.app.data.tree;
    if (!this.itself && !advice) return null;
    const told = new Map((advice ? advice.conditions : []).map((one) => [one.name, one]));
    const chance = (name) => (this.itself ? this.belief.conditions[name]
      : told.get(name).probability);
    const before = (name) => (this.before ? this.before.conditions[name] : chance(name));
    return Object.keys(conditions).map((name) => ({
      name, title: conditions[name].title, chance: chance(name), moved: chance(name) - before(name),
      low: (told.get(name) || {}).low, high: (told.get(name) || {}).high,
    })).sort((a, b) => b.chance - a.chance);
  }

  sound() {
    if (this.itself) return this.belief.sound;
    return this.advice ? this.advice.p_sound : null;
  }

  /** Stops in force, with what brought them about and what would settle them. */
  stops() {
    if (!this.itself && this.advice)
      return this.advice.stops.map((stop) => ({...stop, settled: stop.settled_by}));
    const {stops} = this.app.data.rules;
    return this.progress.stops.filter((name) => !stops[name].quiet).map((name) => ({
      name, ...stops[name], lifted_by: stops[name].lifted, settled: this.settling(name)}));
  }

  settling(stop) {
    const holding = this.progress.holding[stop], {tests} = this.app.data.rules;
    const firsts = holding.map((trigger) => Object.keys(trigger.unseen)[0]);
    if (firsts.includes(undefined)) return [];
    const open = firsts.filter((name) => !(name in this.known.evidence.codes));
    return Object.keys(tests).filter((name) => within(new Set(open), tests[name].yields || [])
      && this.gates.way(name, this.progress).steps);
  }

  /** Conditions at the car that a test names, as far as they may hold for it. */
  cautions(name) {
    const {form} = this.app.data;
    const item = this.gates.work(name);
    return (item.cautions || []).map((key) => form.cautions[key]).filter((caution) =>
      Object.entries(caution.when).every(([key, value]) =>
        (this.found.contexts[key] ?? value) === value));
  }

  /** What is still to be asked for a test; each a name, with how it is answered. */
  questions(test, skipped) {
    const {form, rules} = this.app.data;
    const asked = (rules.tests[test].yields || []).flatMap((name) => form.read_as[name] || [name]);
    const pressing = asked.some((name) => this.app.dimension(name) === "pressure");
    const first = pressing && !this.state.noted.refrigerant ? ["refrigerant"] : [];
    return [...first, ...asked].filter((name) => !this.state.noted[name] && !skipped.includes(name));
  }

  intake(skipped) {
    const routine = (this.state.noted.setting || {}).value === "routine";
    return this.app.data.form.intake.filter((name) => !this.state.noted[name]
      && !skipped.includes(name) && !(routine && name === "cooling"));
  }

  /** The next step: what settles a stop, then what the server judged, then bits a minute. */
  next(ranked) {
    const {tests} = this.app.data.rules;
    const settling = this.stops().flatMap((stop) => stop.settled);
    const {advice} = this;
    const open = (name) => !this.itself || Boolean(this.gates.way(name, this.progress).steps);
    if (settling.length) return {test: this.firstStep(settling[0]), why: "a good result lifts a stop"};
    if (advice && advice.stop) return {stop: true, at: advice.at};
    if (advice && advice.next && open(advice.next)) {
      const judged = advice.tests.find((one) => one.test === advice.next);
      const opens = judged && judged.opens !== advice.next ? judged.opens : "";
      const worth = judged ? `saves ${money(judged.net_value, advice.currency)}` : "";
      return {test: advice.next, at: advice.at,
        why: [worth, opens && `opens: ${tests[opens].title}`].filter(Boolean).join("; ")};
    }
    if (!ranked || !this.itself) return null;
    const [best] = ranked;
    if (!best) return {stop: true};
    const opens = best.test === best.first ? "" : `opens: ${tests[best.test].title}; `;
    const share = best.bits < 0.01 ? "<0.01" : best.bits.toFixed(2);
    return {test: best.first, why: `${opens}${share} bits in ${minutesText(best.minutes)}`};
  }

  firstStep(name) {
    const {steps} = this.gates.way(name, this.progress);
    return steps ? steps[0].test : name;
  }

  minutes(name) {
    return this.gates.minutes(name, this.progress.standing);
  }

  /** Conditions that were likeliest of the car as it came, for the closing. */
  likelyAsItCame() {
    const noted = this.repaired ? this.state.repairs[0].all : this.state.noted;
    const belief = this.believed(this.told({repairs: [], noted}));
    return Object.entries(this.app.data.tree.conditions)
      .map(([name, {title}]) => ({name, title, chance: belief.conditions[name]}))
      .sort((a, b) => b.chance - a.chance).slice(0, MOST_OUTCOMES);
  }
}
