"use strict";
// What a person should know about a car before trusting its result: inspection/remarks.py, in the
// same words. Names in a remark are raw; App.plain puts their titles in.

/** Remarks on one car. */
class Remarks {
  constructor(data, tree, scales, sections) {
    Object.assign(this, {data, tree, scales, told: data.remarks});
    this.written = scales.columns(sections);
    this.stated = scales.contexts(this.written);
    this.measured = scales.measured(this.written, this.stated);
    this.car = scales.inWords(this.written, this.measured);
    this.read = scales.gaugesRead(this.car, this.stated);
    this.implied = scales.broughtIn(this.written, this.stated);
  }

  /** What is odd about what was entered, then what is not used or stands in for something. */
  odd() {
    return [...this.masked(), ...this.doubled(), ...this.againstWord(), ...this.far(),
      ...this.noPressure(), ...this.notOfThisCar()];
  }

  all(came = true) {
    return [...this.odd(), ...this.unused(), ...this.widened(), ...this.notStated(),
      ...(came ? this.whyHere() : [])];
  }

  given(name) { return !Number.isNaN(this.scales.reading(this.car, name)); }

  number(name) {
    const value = this.car.numbers[name];
    return value === undefined ? NaN : value;
  }

  /** The likeliest word for something; -1 where nothing is said of it. */
  word(car, name) {
    if (car.codes[name] >= 0) return car.codes[name];
    return this.scales.known(car, name) ? largest(car.soft[name]) : -1;
  }

  observed() {
    const {car} = this, words = [...Object.keys(car.codes), ...Object.keys(car.soft)];
    return [...new Set([...words.filter((name) => this.word(car, name) >= 0),
      ...Object.keys(car.readings).filter((name) => this.given(name))])];
  }

  seen() {
    return [...new Set([...this.observed(), ...Object.keys(this.read)])]
      .filter((name) => this.tree.nodes[name]);
  }

  /** Gauges that count. */
  comparable() {
    return Object.entries(this.read).filter(([, {residual}]) => !Number.isNaN(residual));
  }

  states(name) { return this.tree.nodes[name].states; }

  *masked() {
    const {scales, data} = this;
    for (const [name, {kind}] of Object.entries(data.form.nodes)) {
      if (kind === "history" || !(name in this.read || this.word(this.car, name) >= 0)) continue;
      const rules = scales.gauges[name] || scales.words[name];
      for (const [finding, states] of Object.entries(rules.masked_by || {}))
        if (scales.hides(this.car, finding, states))
          yield `${name} is not used: it says nothing at ${finding} = ${states.join(" or ")}`;
      for (const [other, states] of Object.entries(rules.told_by || {}))
        if (other in this.read && this.states(name).every((state) => states.includes(state)))
          yield `${name} is not used: ${other} has told it`;
    }
  }

  /** A word beside a number: the number counts, and a disagreement is told. */
  *doubled() {
    for (const [name, {residual}] of this.comparable()) {
      const word = this.word(this.car, name), states = this.states(name);
      const read = this.tree.nodes[name].cuts.filter((cut) => cut <= residual).length;
      if (word >= 0 && read !== word) yield `${name}: the word '${states[word]}' is not used: the `
        + `number counts, and it reads '${states[read]}'`;
    }
  }

  /** A word beside an amount that says otherwise, and an amount that cannot be used. */
  *againstWord() {
    const {scales} = this;
    for (const [name, weights] of Object.entries(this.measured)) {
      const states = this.states(name), word = this.word(this.written, name);
      const given = this.data.form.nodes[name].amounts.filter((amount) =>
        !Number.isNaN(scales.value(this.written, amount)));
      const read = largest(weights), said = given.join(" and ");
      if (!spreads(weights)) {
        const keys = given.flatMap((amount) => scales.amounts[amount].bands
          .flatMap(({when}) => Object.keys(when || {})));
        const missing = [...new Set(keys)].filter((key) => !(key in this.stated)).sort();
        if (missing.length)
          yield `${said} not used: state the ${missing.join(" and ")} in [vehicle]`;
      } else if (word >= 0 && word !== read)
        yield `${name}: the word '${states[word]}' and ${said}, which reads '${states[read]}', `
          + "contradict each other; both are doubted, undo one";
    }
  }

  *far() {
    for (const [name, reading] of this.comparable()) {
      if (this.fromAnything(name, reading) <= this.told.odd_spreads) continue;
      yield `${name} is ${Math.abs(reading.residual).toFixed(1)} ${this.told.scale[name]} `
        + `${reading.residual > 0 ? "above" : "below"} a sound loop, further than any modelled `
        + "fault puts it; check the reading and its unit";
    }
  }

  /** Distance to the nearest reading that some combination of faults would give, in spreads. */
  fromAnything(name, {residual, extra}) {
    const {keys, options} = this.tree.nodes[name];
    let contexts = [{}];
    keys.forEach((key, i) => {
      const values = this.stated[key] ? [this.stated[key]] : options[i];
      contexts = contexts.flatMap((one) => values.map((value) => ({...one, [key]: value})));
    });
    let nearest = Infinity;
    for (const context of contexts) {
      const {mean, spread} = this.tree.numbersOf(name, context);
      for (let i = 0; i < mean.length; i++)
        nearest = Math.min(nearest, Math.abs(residual - mean[i]) / Math.hypot(spread[i], extra));
    }
    return nearest;
  }

  /** Two gauges that stand at the pressure of the air: an empty loop, or a slip of the unit. */
  *noPressure() {
    const read = this.told.pressures.filter((name) => this.given(name));
    const above = read.map((name) => this.scales.reading(this.car, name)
      - this.scales.constants.sea_level_kpa);
    if (read.length > 1 && Math.max(...above) < this.told.no_pressure_kpa)
      yield `${read.join(" and ")} stand at the pressure of the air: is the loop empty, or the unit `
        + "another one (bar, not psi)?";
  }

  /** What is recorded and can only be seen on another kind of car. */
  *notOfThisCar() {
    const out = ({only = {}, never = {}}) =>
      Object.keys(only).find((key) => (this.stated[key] ?? only[key]) !== only[key])
      || Object.keys(never).find((key) => this.stated[key] === never[key]);
    for (const name of this.observed()) {
      const ways = Object.values(this.data.rules.tests).filter(({yields = []}) =>
        yields.includes(name));
      if (ways.length && ways.every(out)) yield `${name} cannot be seen on a car with `
        + `${out(ways[0])} ${this.stated[out(ways[0])]}; check both`;
    }
  }

  *unused() {
    for (const [name, [partner, result]] of Object.entries(this.told.partners))
      if (this.given(name) && !this.given(partner))
        yield `${name} is not used: ${result} also needs ${partner}`;
    for (const [name, plate] of Object.entries(this.scales.constants.nameplates))
      if (this.given(name) && Number.isNaN(this.number(plate)))
        yield `${name} is not used: state ${plate} in [vehicle] to make a share of it`;
    for (const name of ["superheat", "subcooling"]) {
      const made = this.scales.derived(this.car, name);
      const given = this.scales.reading(this.car, name);
      if (Math.abs(given - made) > this.told.odd_derived_k)
        yield `${name} was given as ${given.toFixed(1)} K, which counts, but pipe temperature and `
          + `pressure make it ${made.toFixed(1)} K`;
    }
  }

  /** A mass that cannot be weighed and a loop that may not have come to one temperature. */
  *widened() {
    const {constants} = this.scales, {choices} = this.car, cold = this.number("ambient");
    if ("recovered" in this.read && (choices.recovery_machine === "old"
      || cold < constants.cold_recovery_c))
      yield "recovered is not weighable: an old machine or a cold loop leaves much behind, so "
        + `${constants.unweighable_pct} % of spread are added`;
    if ("static_pressure" in this.read && !this.given("static_temperature"))
      yield "static_temperature was not read: the ambient temperature stands in, with "
        + `${constants.static_unmeasured_k} K of spread added`;
    if (!Number.isNaN(this.scales.value(this.car, "vacuum_rise")) && !this.given("vacuum_watched"))
      yield `vacuum_watched was not stated: taken as ${constants.vacuum_watched_min} minutes`;
    if (this.given("vacuum_end") && !this.given("vacuum_start"))
      yield "vacuum_start was not read: taken as 1 mbar, which a pump in order reaches";
    const apart = this.scales.reading(this.car, "static_temperature") - cold;
    if (Math.abs(apart) > this.told.odd_soak_k && this.given("static_pressure"))
      yield `static_temperature is ${Math.abs(apart).toFixed(0)} K `
        + `${apart > 0 ? "above" : "below"} ambient: the loop may not have come to one temperature`;
  }

  /** Conditions that bear on something observed but are not stated. */
  *notStated() {
    if (!this.observed().length) yield this.told.nothing;
    const seen = this.seen();
    for (const [key, values] of Object.entries(this.told.make_up)) {
      const names = seen.filter((name) => this.tree.nodes[name].keys.includes(key));
      if (names.length && !(key in this.stated)) yield `${key} is not stated: averaged over `
        + `${values.join(" and ")} for ${names.join(", ")}`;
    }
    for (const [key, usual] of Object.entries(this.told.usual)) {
      const names = seen.filter((name) => this.hangsOn(name, key));
      if (names.length && Number.isNaN(this.scales.condition(this.car, key)))
        yield `${key} is not stated: taken as ${usual} for ${names.join(", ")}`;
    }
  }

  /** Whether what a sound gauge reads hangs on a condition. */
  hangsOn(name, key) {
    const gauge = this.scales.gauges[name];
    if (!gauge) return false;
    if (key === "ambient" && gauge.transform === "static_residual")
      return !this.given("static_temperature");
    if (key === "ambient" && (gauge.transform === "condensing_lift"
      || this.tree.nodes[name].keys.includes("weather"))) return true;
    return this.told.bearing[name].includes(key);
  }

  /** What is not said of why the car is here, and what stands in for it. */
  *whyHere() {
    const {setting} = this.stated, usual = this.scales.usual_complaint;
    if (!setting) yield "setting is not stated: nothing is concluded from why the car is here; "
      + 'write setting = "complaint" or setting = "routine"';
    if (setting === "complaint" && usual in this.implied && !this.observed().includes(usual))
      yield `the complaint itself is not recorded: taken as one about ${usual}`;
  }
}
