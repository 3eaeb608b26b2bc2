"use strict";
// What a whole car is expected to show: words of findings not yet seen, readings of a sound loop,
// and how little the findings agree (diagnosis/predictions.py, diagnosis/belief.py).

const DIAL_REACH = 3; // outermost cuts on both sides of the sound value

/** P(state | everything known) of every finding not yet seen. */
function expectedWords(tree, belief, form) {
  const {codes, soft, numbers} = belief.evidence, found = {};
  for (const [name, {kind}] of Object.entries(form.nodes)) {
    if (kind !== "finding" || name in codes || name in numbers || name in belief.given.soft) continue;
    const {home, parents} = tree.nodes[name], card = tree.cards[name];
    const implied = (belief.given.implied || {})[name];
    const plain = tree.table(name, belief.context);
    const table = implied ? weighed(plain, implied, card) : plain;
    const believed = new Float64Array(table.length / card), states = new Array(card).fill(0);
    sumInto(believed, belief.beliefs[home], tree.map(home, parents));
    believed.forEach((chance, row) => {
      for (let state = 0; state < card; state++) states[state] += chance * table[row * card + state];
    });
    found[name] = states;
  }
  return found;
}

/** Bits by which the findings are less likely together than each alone, given the history. */
function conflictBits(tree, contexts, evidence) {
  const {nodes} = tree, seen = namesSeen(evidence).filter((name) => !nodes[name].hidden);
  if (seen.length < 2) return 0;
  const gone = new Set(seen), parts = ["codes", "soft", "numbers"];
  const log = (kept) => {
    const some = (held) => Object.fromEntries(Object.entries(held)
      .filter(([name]) => !gone.has(name) || kept === name));
    return tree.propagate(contexts, {...Object.fromEntries(parts.map((part) =>
      [part, some(evidence[part])])), implied: evidence.implied}).logEvidence;
  };
  const none = log(), all = tree.propagate(contexts, evidence).logEvidence;
  return (seen.reduce((sum, name) => sum + log(name) - none, 0) - (all - none)) / Math.LN2;
}

/** Reach of every gauge and what a sound loop shows, in a unit; none where it cannot be known. */
class Dials {
  constructor(scales, tree) { Object.assign(this, {scales, tree}); }

  of(sections, name, unit) {
    const {scales} = this, bare = {vehicle: sections.vehicle, conditions: sections.conditions};
    const car = scales.columns(bare), {ambient = NaN} = car.numbers;
    const probing = {...car, readings: {[name]: 300, static_temperature: ambient}};
    const {mean} = scales.expected(probing, name, scales.contexts(car),
      scales.transformed(probing, name).slope);
    const reach = DIAL_REACH * Math.max(...this.tree.nodes[name].cuts.map(Math.abs));
    const [low, sound, high] = [-reach, 0, reach].map((away) =>
      this.shown(this.raw(car, name, mean + away, ambient), name, unit, sections));
    return [low, sound, high].some(Number.isNaN) ? null : {low, sound, high, unit};
  }

  /** A value on the scale of a gauge back to what is read, in internal units. */
  raw(car, name, value, ambient) {
    const {scales} = this, {transform} = scales.gauges[name];
    if (transform === "plain")
      return scales.readings[name].dimension === "share" ? Math.max(value, 0) : value;
    if (transform === "share_of_nameplate")
      return Math.max(value, 0) / 100 * (car.numbers[scales.constants.nameplates[name]] ?? NaN);
    const apart = transform === "condensing_lift" && car.numbers.condenser_inlet;
    const from = transform === "evaporating" ? 0 : apart || ambient;
    return this.pressureAt(car, value + from);
  }

  /** Saturation pressure [kPa abs] by halving; NaN where the curve does not reach. */
  pressureAt(car, temperature) {
    const line = this.scales.refrigerants[car.choices.refrigerant];
    if (!line) return NaN;
    let low = line.lowest_kpa, high = line.critical_kpa * (1 - 1e-12);
    const at = (kpa) => this.scales.boiling(car, kpa);
    if (!(temperature >= at(low) && temperature <= at(high))) return NaN;
    for (let i = 0; i < 60; i++) {
      const middle = (low + high) / 2;
      if (at(middle) < temperature) low = middle;
      else high = middle;
    }
    return (low + high) / 2;
  }

  shown(value, name, unit, sections) {
    const {scales} = this, {dimension} = scales.readings[name];
    const altitude = scales.quantity(sections.conditions?.altitude ?? "0 m", "length");
    const [, scale, zero, reference, decimals] = scales.units[dimension][spelt(unit)];
    const gauge = reference === "gauge" ? scales.atmosphere(altitude) : 0;
    return Number(((value - gauge) / scale + zero).toFixed(decimals));
  }
}
