"use strict";
// What a sound loop reads in some conditions (knowledge/expectations.py): tables over conditions,
// linear between their points; what is not stated is integrated out.

/** A table taken at other points of one of its axes; each is between two, with a share of each. */
function resampled(table, shape, axis, ends) {
  const inner = product(shape.slice(axis + 1)), outer = product(shape.slice(0, axis));
  const out = new Float64Array(outer * ends.length * inner);
  for (let o = 0, cell = 0; o < outer; o++)
    for (const [[low, below], [high, above]] of ends) {
      const from = (o * shape[axis] + low) * inner, to = (o * shape[axis] + high) * inner;
      for (let i = 0; i < inner; i++) out[cell++] = below * table[from + i] + above * table[to + i];
    }
  return out;
}

/** A block of a gauge at some points of its own conditions: value and spread between cars. */
function blockAt(scales, block, points) {
  let values = scales.array(block.values), spread = scales.array(block.spreads);
  const names = Object.keys(block.axes), shape = names.map((name) => block.axes[name].length);
  names.forEach((name, axis) => {
    const ends = points[name].map((at) => corners(block.axes[name], at));
    values = resampled(values, shape, axis, ends);
    spread = resampled(spread, shape, axis, ends);
    shape[axis] = ends.length;
  });
  return {names, values, spread};
}

/** Where a gauge's conditions are looked at, and with what weight: those not stated all over. */
function conditionGrid(gauge, blocks, names, stated) {
  const grid = {points: {}, weights: {}, loose: []};
  for (const name of names) {
    const value = stated(name);
    if (Number.isNaN(value)) {
      [grid.points[name], grid.weights[name]] = gauge.conditions[name];
      grid.loose.push(name);
      continue;
    }
    const own = blocks.flatMap((block) => block.axes[name] || []);
    const points = [...new Set(own.length ? own : gauge.steps[name])].sort((a, b) => a - b);
    const ends = corners(points, value);
    grid.points[name] = ends.map(([row]) => points[row]);
    grid.weights[name] = ends.map(([, share]) => share);
  }
  return grid;
}

/** What sound loops show, over everything that is not stated (knowledge/expectations.py). */
function expectation(scales, gauge, contexts, slope, stated) {
  const shares = new Map();
  for (const {index, share} of fullContexts(scales.contexts_known, gauge, contexts))
    shares.set(gauge.which[index], (shares.get(gauge.which[index]) || 0) + share);
  const blocks = [...shares.keys()].map((which) => gauge.blocks[which]);
  const names = Object.keys(gauge.conditions)
    .filter((name) => name !== "ambient" || slope || gauge.blocks.some((b) => b.axes.ambient));
  const grid = conditionGrid(gauge, blocks, names, stated), fixed = names.filter((name) =>
    !grid.loose.includes(name));
  const cards = Object.fromEntries(names.map((name) => [name, grid.points[name].length]));
  const along = Object.fromEntries(names.map((name) => [name, cellMap(names, cards, [name])]));
  const cells = product(Object.values(cards));
  const first = new Float64Array(cells), second = new Float64Array(cells);
  const assumed = slope && grid.loose.includes("ambient");
  for (const [which, share] of shares) {
    const {names: own, values, spread} = blockAt(scales, gauge.blocks[which], grid.points);
    const map = cellMap(names, cards, own);
    for (let i = 0; i < cells; i++) {
      const value = values[map[i]] - (assumed
        ? slope * (grid.points.ambient[along.ambient[i]] - scales.typical_ambient) : 0);
      first[i] += share * value;
      second[i] += share * (value ** 2 + spread[map[i]] ** 2);
    }
  }
  const corner = cellMap(names, cards, fixed), ends = product(fixed.map((name) => cards[name]));
  const weight = (i, of) => of.reduce((all, name) => all * grid.weights[name][along[name][i]], 1);
  const mean = new Float64Array(ends), square = new Float64Array(ends);
  const part = new Float64Array(ends);
  for (let i = 0; i < cells; i++) {
    const loose = weight(i, grid.loose);
    mean[corner[i]] += loose * first[i];
    square[corner[i]] += loose * second[i];
    part[corner[i]] = weight(i, fixed);
  }
  return {
    mean: mean.reduce((sum, value, i) => sum + part[i] * value, 0),
    variance: mean.reduce((sum, value, i) =>
      sum + part[i] * Math.max(square[i] - value ** 2, 0), 0),
  };
}
