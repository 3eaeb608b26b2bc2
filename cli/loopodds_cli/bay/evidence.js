"use strict";
// From what stands in a case to evidence: inspection/encoding.py and gauges.py for one car, with
// the numbers that the server exported. A case is in sections, as a case file has it.

const SIGNS = {"°": "deg", "º": "deg", "℃": "degc", "℉": "degf", "²": "2", "Δ": "delta", "∆": "delta",
  "Ω": "ohm", "\u2126": "ohm", "µ": "u", "μ": "u"};

function spelt(text) {
  return [...text].map((sign) => SIGNS[sign] ?? sign).join("")
    .replace(/[ ().^_\u00a0]/g, "").toLowerCase();
}

const NUMBER = /^([+\-−]?)\s*(\d+(?:[.,]\d*)?|[.,]\d+)((?:[eE][+-]?\d+)?)\s*(.*)$/;

const MOST_KEPT = 500;

class Scales {
  constructor(data) {
    Object.assign(this, data.scales);
    this.tree = data.tree;
    this.kept = new Map();
    this.array = data.numbers;
    this.states = (name) => data.tree.nodes[name].states;
  }

  atmosphere(altitude) {
    return this.constants.sea_level_kpa
      * Math.pow(1 - (0.0065 * altitude) / 288.15, 9.80665 / (0.0065 * 287.05287));
  }

  /** A quantity with its unit in internal units; NaN where it cannot be read. */
  quantity(text, dimension, altitude = 0) {
    const match = NUMBER.exec(String(text).trim());
    const unit = match && this.units[dimension][spelt(match[4])];
    if (!unit) return NaN;
    const [, scale, zero, reference] = unit;
    const number = Number(match[2].replace(",", ".") + match[3]);
    let value = ((match[1] === "-" || match[1] === "−" ? -number : number) - zero) * scale;
    if (reference !== "gauge" && reference !== "vacuum") return value;
    value = (reference === "gauge" ? value : -Math.abs(value)) + this.atmosphere(altitude);
    return value < 0 && value >= -this.constants.dial_slack_kpa ? 0 : value;
  }

  /** Columns of a single car; what this knowledge does not have counts for nothing. */
  columns(sections) {
    const car = {codes: {}, soft: {}, readings: {}, choices: {}, numbers: {}};
    const altitude = this.quantity(sections.conditions?.altitude ?? "0 m", "length");
    for (const section of ["history", "findings"])
      for (const [name, value] of Object.entries(sections[section] || {})) {
        if (!this.tree.nodes[name]) continue;
        const states = this.states(name);
        const left = typeof value === "string" ? [value]
          : Object.keys(value).filter((state) => value[state] > 0);
        if (left.length === 1) car.codes[name] = states.indexOf(left[0]);
        else {
          const most = Math.max(...Object.values(value));
          car.soft[name] = states.map((state) => (value[state] || 0) / most);
        }
      }
    for (const section of ["vehicle", "conditions"])
      for (const [name, value] of Object.entries(sections[section] || {}))
        if (this.choices[name]) car.choices[name] = value;
        else if (this.numbers[name])
          car.numbers[name] = this.quantity(value, this.numbers[name]);
    for (const [name, value] of Object.entries(sections.readings || {}))
      if (this.readings[name])
        car.readings[name] = this.quantity(value, this.readings[name].dimension, altitude);
    return car;
  }

  known(car, name) {
    return car.codes[name] >= 0 || Boolean(car.soft[name] && spreads(car.soft[name]));
  }

  complains(car) {
    return Object.entries(this.words).some(([name, word]) => {
      if (!word.complaint) return false;
      const said = (code) => word.complaint.includes(this.states(name)[code]);
      const soft = car.soft[name];
      return (car.codes[name] >= 0 && said(car.codes[name]))
        || Boolean(soft && spreads(soft) && said(soft.indexOf(Math.max(...soft))));
    });
  }

  /** Contexts as far as they are stated or follow. */
  contexts(car) {
    const found = {};
    for (const [name, context] of Object.entries(this.contexts_known)) {
      if (!context.number) {
        if (car.choices[name]) found[name] = car.choices[name];
        continue;
      }
      const value = car.numbers[context.number];
      if (value === undefined || Number.isNaN(value)) continue;
      found[name] = context.bands[context.edges.filter((edge) => edge <= value).length];
    }
    if (!found.setting && this.complains(car)) found.setting = "complaint";
    return found;
  }

  reading(car, name) {
    const value = car.readings[name];
    return value === undefined ? NaN : value;
  }

  pressure(car, name) {
    const value = this.reading(car, name), ends = this.constants.swinging[name];
    if (!Number.isNaN(value) || !ends) return value;
    return (this.reading(car, ends[0]) + this.reading(car, ends[1])) / 2;
  }

  boiling(car, kpa) {
    const line = this.refrigerants[car.choices.refrigerant];
    if (!line || !(kpa >= line.lowest_kpa * (1 - 1e-9)) || !(kpa < line.critical_kpa)) return NaN;
    const [x, y, slope] = ["x", "y", "slope"].map((key) => this.array(line[key]));
    const at = Math.log(kpa);
    const row = place(x, at);
    const width = x[row + 1] - x[row], t = (at - x[row]) / width, rise = y[row + 1] - y[row];
    const start = width * slope[row] - rise, end = rise - width * slope[row + 1];
    return y[row] + t * rise + t * (1 - t) * (start * (1 - t) + end * t);
  }

  saturation(car, name) { return this.boiling(car, this.pressure(car, name)); }

  derived(car, name) {
    const has = (other) => other in car.readings, {provoked, deep_vacuum_kpa} = this.constants;
    if (name === "superheat" && has("suction_line"))
      return this.reading(car, "suction_line") - this.saturation(car, "low_side");
    if (name === "compressor_superheat" && has("compressor_inlet"))
      return this.reading(car, "compressor_inlet") - this.saturation(car, "low_side");
    if (name === "subcooling" && has("liquid_line"))
      return this.saturation(car, "high_side") - this.reading(car, "liquid_line");
    if (provoked[name] && has(provoked[name]))
      return this.saturation(car, "high_side") - this.saturation(car, provoked[name]);
    if (name === "air_share" && has("air_share_by_mass")) {
      const line = this.refrigerants[car.choices.refrigerant];
      const share = this.reading(car, "air_share_by_mass");
      const moles = share / this.constants.molar_mass_of_air;
      return line ? (100 * moles) / (moles + (100 - share) / line.molar_mass) : NaN;
    }
    if (name === "vacuum_rise" && has("vacuum_end")) {
      const start = this.reading(car, "vacuum_start");
      return this.reading(car, "vacuum_end") - (Number.isNaN(start) ? deep_vacuum_kpa : start);
    }
    return NaN;
  }

  value(car, name) {
    const value = this.pressure(car, name);
    return Number.isNaN(value) ? this.derived(car, name) : value;
  }

  /** What was measured of findings in words, as likelihoods of their states. */
  measured(car, contexts) {
    const found = {};
    for (const [name, amount] of Object.entries(this.amounts)) {
      const value = this.value(car, name);
      if (Number.isNaN(value)) continue;
      const finding = amount.finding, count = this.states(finding).length;
      const said = this.said(car, name, amount, value, contexts) || new Array(count).fill(1);
      found[finding] = overLargest((found[finding] || said.map(() => 1)).map((w, i) => w * said[i]));
    }
    return found;
  }

  said(car, name, amount, value, contexts) {
    const band = amount.bands.find(({when}) => holds(when, contexts));
    if (!band) return null;
    const watched = this.reading(car, "vacuum_watched"), full = this.constants.vacuum_watched_min;
    const stretch = name === "vacuum_rise" && watched < full ? full / watched : 1;
    const spread = Math.hypot(amount.accuracy, amount.accuracy_share * value);
    const scale = (Math.max(spread, 2.2250738585072014e-308) * Math.sqrt(3)) / Math.PI;
    const below = band.cuts.map((cut) => {
      const away = (cut / stretch - value) / scale;
      return 1 / (1 + Math.exp(Math.min(500, Math.max(-500, -away))));
    });
    const inside = [...below, 1].map((edge, i) => edge - (i ? below[i - 1] : 0));
    const sum = band.says[0].map((_, state) =>
      inside.reduce((total, chance, i) => total + chance * band.says[i][state], 0));
    return overLargest(sum);
  }

  /** The car with what was measured of a finding in place of the word for it. */
  inWords(car, measured) {
    const codes = {...car.codes}, soft = {...car.soft};
    for (const [name, weights] of Object.entries(measured)) {
      if (!spreads(weights)) continue;
      const word = this.weights(car, name), told = spreads(word);
      const differs = told && largest(word) !== largest(weights);
      const said = weights.map((w, i) => (differs ? 0.6 * w + 0.4 * word[i] : w));
      const total = said.reduce((a, b) => a + b, 0);
      delete codes[name];
      delete soft[name];
      if (Math.max(...said) >= this.constants.as_good_as_said * total) codes[name] = largest(said);
      else soft[name] = said;
    }
    return {...car, codes, soft};
  }

  /** What stands under a name as likelihoods of its states; ones where nothing does. */
  weights({codes, soft}, name) {
    const states = this.states(name);
    if (codes[name] >= 0) return states.map((_, state) => (state === codes[name] ? 1 : 0));
    return soft[name] || states.map(() => 1);
  }

  masked(car, name) {
    const rules = (this.gauges[name] || this.words[name]).masked_by || {};
    return Object.entries(rules).some(([finding, hiding]) => this.hides(car, finding, hiding));
  }

  /** Whether a finding is in one of the states that leave another without meaning. */
  hides(car, finding, hiding) {
    const states = this.states(finding), soft = car.soft[finding];
    if (car.codes[finding] >= 0 && hiding.includes(states[car.codes[finding]])) return true;
    if (!soft || !spreads(soft)) return false;
    const sum = (chosen) => soft.reduce((a, w, i) => a + (chosen(states[i]) ? w : 0), 0);
    return sum((state) => hiding.includes(state)) > 0.5 * sum(() => true);
  }

  transformed(car, name) {
    const raw = this.value(car, name), {transform} = this.gauges[name];
    const stated = car.numbers.ambient;
    const told = stated !== undefined && !Number.isNaN(stated);
    const ambient = told ? stated : this.typical_ambient;
    const given = (value) => value !== undefined && !Number.isNaN(value);
    const c = this.constants;
    if (transform === "plain") return {value: raw, slope: 0, variance: 0};
    if (transform === "condensing_lift") {
      const entering = car.numbers.condenser_inlet, apart = given(entering);
      return {value: this.saturation(car, name) - (apart ? entering : ambient),
        slope: apart ? 0 : -1, variance: this.swing(car, name)};
    }
    if (transform === "evaporating")
      return {value: this.saturation(car, name), slope: 0, variance: this.swing(car, name)};
    if (transform === "static_residual") {
      const measured = this.reading(car, "static_temperature"), guessed = Number.isNaN(measured);
      const loop = guessed ? ambient + c.static_unmeasured_warmer_k : measured;
      return {value: this.saturation(car, name) - loop, slope: guessed ? -1 : 0,
        variance: guessed ? c.static_unmeasured_k ** 2 : 0};
    }
    const plate = car.numbers[c.nameplates[name]];
    const cold = told && stated < c.cold_recovery_c, old = car.choices.recovery_machine === "old";
    return {value: (100 * raw) / (given(plate) ? plate : NaN), slope: 0,
      variance: name === "recovered" && (cold || old) ? c.unweighable_pct ** 2 : 0};
  }

  swing(car, name) {
    const ends = this.constants.swinging[name];
    if (!ends || !ends.every((end) => end in car.readings)) return 0;
    const [low, high] = ends.map((end) => this.boiling(car, this.reading(car, end)));
    const between = Number.isNaN(this.reading(car, name)) && !Number.isNaN(high - low);
    return between ? (high - low) ** 2 / 48 : 0;
  }

  condition(car, name) {
    if (this.choices[name]) {
      const code = this.choices[name].indexOf(car.choices[name]);
      return code < 0 ? NaN : code;
    }
    const value = car.numbers[name];
    return value === undefined ? NaN : value;
  }

  /** What a sound loop shows; kept, because it stays while conditions do. */
  expected(car, name, contexts, slope) {
    const gauge = this.gauges[name];
    const told = [...Object.keys(gauge.conditions).map((key) => this.condition(car, key)),
      ...gauge.keys.map((key) => contexts[key] || ""), slope];
    const key = `${name}|${told.join("|")}`;
    if (!this.kept.has(key)) {
      if (this.kept.size >= MOST_KEPT) this.kept.clear();
      this.kept.set(key, expectation(this, gauge, contexts, slope, (one) =>
        this.condition(car, one)));
    }
    return this.kept.get(key);
  }

  /** Distance of every reading from what a sound loop shows, and what the conditions add. */
  gaugesRead(car, contexts) {
    const found = {};
    for (const [name, gauge] of Object.entries(this.gauges)) {
      if (Number.isNaN(this.value(car, name))) continue;
      const moved = this.transformed(car, name);
      const sound = this.expected(car, name, contexts, moved.slope);
      const running = car.numbers.running_for;
      const unsettled = gauge.settling && running !== undefined && !Number.isNaN(running)
        ? gauge.settling[0] * Math.exp(-running / gauge.settling[1]) : 0;
      found[name] = {
        residual: this.masked(car, name) ? NaN : moved.value - sound.mean,
        extra: Math.sqrt(moved.variance + sound.variance + unsettled ** 2),
      };
    }
    for (const name of Object.keys(found))
      for (const other of Object.keys(this.gauges[name].told_by || {}))
        if (found[other] && !Number.isNaN(found[other].residual)) found[name].residual = NaN;
    return found;
  }

  broughtIn(car, contexts) {
    const came = {}, usual = this.usual_complaint;
    const about = contexts.setting === "complaint"
      && (this.known(car, usual) || !this.complains(car));
    for (const [name, word] of Object.entries(this.words)) {
      if (!word.brings_in) continue;
      const comes = this.states(name).map((state) => word.brings_in[state] || 0);
      if (contexts.setting === "routine") came[name] = overLargest(comes.map((share) => 1 - share));
      if (name === usual && about) came[name] = overLargest(comes);
    }
    return came;
  }

  toldOfFaults(car) {
    const told = {};
    for (const [name, prior] of Object.entries(this.told)) {
      if (!this.known(car, name)) continue;
      const said = this.weights(car, name), all = said[0] * prior[0] + said[1] * prior[1];
      for (const [fault, chances] of Object.entries(this.words[name].yes_if)) {
        const weights = this.states(fault).map((state) =>
          (said[0] * (1 - chances[state]) + said[1] * chances[state]) / all);
        told[fault] = told[fault] ? told[fault].map((w, i) => w * weights[i]) : weights;
      }
    }
    return told;
  }

  /** Why what was put in cannot be of any car; empty where it can (inspection/remarks.py). */
  impossible(car) {
    for (const [name, value] of Object.entries(car.readings)) {
      const {dimension, limits} = this.readings[name];
      if (limits && (value < limits[0] || value > limits[1])) return limits[2];
      if (dimension !== "pressure" || Number.isNaN(value)) continue;
      if (!car.choices.refrigerant)
        return "a pressure says nothing while the refrigerant is not stated";
      if (Number.isNaN(this.boiling(car, value)))
        return `no loop of ${car.choices.refrigerant} stands at that pressure`;
    }
    for (const [name, value] of Object.entries(car.numbers)) {
      const [low, high, why] = this.limits[name] || [-Infinity, Infinity];
      if (value < low || value > high) return why;
    }
    const [high, low] = ["high_side", "low_side"].map((name) => this.reading(car, name));
    const equal = this.states("sides_equal")?.[car.codes.sides_equal] === "yes";
    const slack = equal ? this.constants.equal_sides_kpa : 0;
    const stopped = ["high_side", "low_side"].some((name) => this.masked(car, name));
    return high < low - slack && !stopped ? "the high side is below the low side with the "
      + "compressor running; check which hose is which, or record that the sides are equal" : "";
  }

  /** Evidence of a car in its contexts. */
  evidence(sections) {
    const written = this.columns(sections), contexts = this.contexts(written);
    const car = this.inWords(written, this.measured(written, contexts));
    const read = this.gaugesRead(car, contexts);
    const said = {codes: {...car.codes}, soft: {...car.soft}};
    const put = (name, weights) => { delete said.codes[name]; said.soft[name] = weights; };
    const names = [...Object.keys(this.gauges), ...Object.keys(this.words)]
      .filter((name) => this.known(said, name));
    for (const name of names) {
      const rule = this.gauges[name] || this.words[name];
      for (const [other, states] of Object.entries(rule.told_by || {})) {
        if (!read[other] || Number.isNaN(read[other].residual) || !this.known(said, name)) continue;
        const alike = this.states(name).map((state) => states.includes(state));
        const weights = this.weights(said, name);
        const same = Math.max(...weights.filter((_, i) => alike[i]));
        put(name, weights.map((w, i) => (alike[i] ? same : w)));
      }
      const numbered = read[name] && !Number.isNaN(read[name].residual);
      if (this.masked(car, name) || numbered) {
        delete said.codes[name];
        delete said.soft[name];
      }
    }
    for (const name of names) if (this.words[name]?.veiled_by) this.liftVeil(name, car, said, put);
    const implied = {...this.broughtIn(written, contexts), ...this.toldOfFaults(written)};
    const numbers = {};
    for (const [name, {residual, extra}] of Object.entries(read))
      if (!Number.isNaN(residual)) numbers[name] = [residual, extra];
    const telling = (weights) => Object.fromEntries(
      Object.entries(weights).filter(([, one]) => spreads(one)));
    return {
      contexts, car: written,
      evidence: {codes: said.codes, soft: telling(said.soft), numbers, implied: telling(implied)},
    };
  }

  liftVeil(name, car, said, put) {
    let clear = 1;
    for (const [other, chances] of Object.entries(this.words[name].veiled_by)) {
      if (!this.known(car, other)) continue;
      const weights = this.weights(car, other), total = weights.reduce((a, b) => a + b, 0);
      clear *= 1 - this.states(other).reduce((sum, state, i) =>
        sum + (weights[i] / total) * (chances[state] || 0), 0);
    }
    const weights = this.weights(said, name), first = weights[0], hidden = 1 - clear;
    if (!(hidden > 0) || !(first > 0) || !spreads(weights)) return;
    put(name, weights.map((w, i) => (i ? (1 - hidden) * w + hidden * first : w)));
  }
}

const largest = (weights) => weights.indexOf(Math.max(...weights));
const holds = (when, context) =>
  Object.entries(when || {}).every(([key, value]) => context[key] === value);

function overLargest(weights) {
  const most = Math.max(...weights);
  return weights.map((weight) => weight / most);
}

/** Row of rising points below a value, never the last. */
function place(points, at) {
  let low = 0, high = points.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (points[middle] <= at) low = middle + 1;
    else high = middle;
  }
  return Math.min(Math.max(low - 1, 0), points.length - 2);
}

function corners(points, at) {
  const inside = Math.min(Math.max(at, points[0]), points[points.length - 1]);
  const row = place(points, inside);
  const share = (inside - points[row]) / (points[row + 1] - points[row]);
  return [[row, 1 - share], [row + 1, share]];
}
