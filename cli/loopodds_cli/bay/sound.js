"use strict";
// What a sound loop reads in some conditions (knowledge/expectations.py): tables over conditions,
// linear between their points; what is not stated is integrated out.

/** Where points lie on an axis: the row below each, and the share of the row above. */
function rowsOf(axis, points) {
  const rows = new Int32Array(points.length), above = new Float64Array(points.length);
  points.forEach((at, i) => { [[rows[i]], [, above[i]]] = corners(axis, at); });
  return {rows, above};
}

/** A table taken at other points of one of its axes, which is `long`; cells of a point lie `inner`
 * apart. */
function resampled(table, long, inner, {rows, above}) {
  const outer = table.length / (long * inner), out = new Float64Array(outer * rows.length * inner);
  for (let o = 0, cell = 0; o < outer; o++)
    for (let row = 0; row < rows.length; row++) {
      const from = (o * long + rows[row]) * inner, share = above[row], rest = 1 - share;
      for (let i = from; i < from + inner; i++)
        out[cell++] = rest * table[i] + share * table[i + inner];
    }
  return out;
}

/** A block of a gauge at some points of its own conditions: value and spread between cars. */
function blockAt(scales, block, points) {
  let values = scales.array(block.values), spread = scales.array(block.spreads);
  const names = Object.keys(block.axes), shape = names.map((name) => block.axes[name].length);
  const growth = (axis) => points[names[axis]].length / block.axes[names[axis]].length;
  for (const axis of [...names.keys()].sort((a, b) => growth(a) - growth(b))) {
    const {[names[axis]]: own} = block.axes;
    const ends = rowsOf(own, points[names[axis]]), inner = product(shape.slice(axis + 1));
    values = resampled(values, own.length, inner, ends);
    spread = resampled(spread, own.length, inner, ends);
    shape[axis] = ends.rows.length;
  }
  return {names, values, spread};
}

/** Points with weights as at most two on every stretch between knots, with the same mean and
 * variance: enough for what is linear on each stretch, and for its square. */
function condensed([points, weights], knots) {
  const outside = (at) => knots.length && (at < knots[0] || at > knots[knots.length - 1]);
  const stretches = new Map();
  points.forEach((at, i) => {
    const key = outside(at) ? `outside ${i}` : knots.length ? place(knots, at) : 0;
    stretches.set(key, [...(stretches.get(key) || []), [at, weights[i]]]);
  });
  const few = [...stretches.values()].flatMap((held) => {
    if (held.length < 3) return held;
    const weight = held.reduce((sum, [, share]) => sum + share, 0);
    const mean = held.reduce((sum, [at, share]) => sum + share * at, 0) / weight;
    const apart = Math.sqrt(held.reduce((sum, [at, share]) => sum + share * (at - mean) ** 2, 0)
      / weight);
    return [[mean - apart, weight / 2], [mean + apart, weight / 2]];
  });
  return [few.map(([at]) => at), few.map(([, share]) => share)];
}

/** Where a gauge's conditions are looked at, and with what weight: those not stated all over. */
function conditionGrid(gauge, blocks, names, stated) {
  const points = {}, weights = {}, loose = [];
  for (const name of names) {
    const value = stated(name), own = blocks.flatMap((block) => block.axes[name] || []);
    const knots = [...new Set(own)].sort((a, b) => a - b);
    if (Number.isNaN(value)) {
      [points[name], weights[name]] = condensed(gauge.conditions[name], knots);
      loose.push(name);
      continue;
    }
    const steps = own.length ? knots : [...gauge.steps[name]].sort((a, b) => a - b);
    const ends = corners(steps, value);
    points[name] = ends.map(([row]) => steps[row]);
    weights[name] = ends.map(([, share]) => share);
  }
  return {points, weights, ...gridCells(names, loose, points, weights), loose};
}

/** For every cell of a grid the corner of the stated conditions that it belongs to, the weight of
 * the others there, and that of each corner. */
function gridCells(names, loose, points, weights) {
  const cards = Object.fromEntries(names.map((name) => [name, points[name].length]));
  const fixed = names.filter((name) => !loose.includes(name));
  const share = new Float64Array(product(Object.values(cards))).fill(1);
  for (const name of loose) weighedBy(share, weights[name], cellMap(names, cards, [name]));
  const part = new Float64Array(product(fixed.map((name) => cards[name]))).fill(1);
  for (const name of fixed) weighedBy(part, weights[name], cellMap(fixed, cards, [name]));
  return {cards, share, part, corner: cellMap(names, cards, fixed)};
}

/** Mean and mean square of a block at every corner, with the spread between cars in the square. */
function blockMoments(scales, block, names, grid, rise) {
  const {points, cards, share, part, corner} = grid;
  const {names: own, values, spread} = blockAt(scales, block, points);
  const map = cellMap(names, cards, own), along = rise && cellMap(names, cards, ["ambient"]);
  const mean = new Float64Array(part.length), square = new Float64Array(part.length);
  for (let i = 0; i < share.length; i++) {
    const value = values[map[i]] - (rise ? rise[along[i]] : 0);
    mean[corner[i]] += share[i] * value;
    square[corner[i]] += share[i] * (value * value + spread[map[i]] * spread[map[i]]);
  }
  return {mean, square};
}

/** What sound loops show, over everything that is not stated (knowledge/expectations.py). */
function expectation(scales, gauge, contexts, slope, stated) {
  const shares = new Map();
  for (const {index, share} of fullContexts(scales.contexts_known, gauge, contexts))
    shares.set(gauge.which[index], (shares.get(gauge.which[index]) || 0) + share);
  const blocks = [...shares.keys()].map((which) => gauge.blocks[which]);
  const names = Object.keys(gauge.conditions)
    .filter((name) => name !== "ambient" || slope || gauge.blocks.some((b) => b.axes.ambient));
  const grid = conditionGrid(gauge, blocks, names, stated);
  const assumed = slope && grid.loose.includes("ambient");
  const rise = assumed && grid.points.ambient.map((at) => slope * (at - scales.typical_ambient));
  const mean = new Float64Array(grid.part.length), square = new Float64Array(grid.part.length);
  for (const [which, share] of shares) {
    const found = blockMoments(scales, gauge.blocks[which], names, grid, rise);
    for (let i = 0; i < mean.length; i++) {
      mean[i] += share * found.mean[i];
      square[i] += share * found.square[i];
    }
  }
  let value = 0, variance = 0;
  grid.part.forEach((part, i) => {
    value += part * mean[i];
    variance += part * Math.max(square[i] - mean[i] ** 2, 0);
  });
  return {mean: value, variance};
}
