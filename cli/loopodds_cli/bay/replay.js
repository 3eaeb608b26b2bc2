"use strict";
// What the events of a case amount to (casebook/replay.py), with the entries that wait here behind
// those that stand in the book.

const LASTING = ["vehicle", "conditions", "history"];
const BEFORE_REPAIR = ["conditions", "findings", "readings"];
const idOf = (event) => (event.content.tap && event.content.tap.id) || `n${event.position}`;

/** An entry of this device as the events that the book will have of it. */
function eventsOf(entry, sectionOf) {
  const tap = {id: entry.id, device: entry.device, count: entry.count, at: entry.at,
    replaces: entry.replaces || []};
  const event = (kind, content) => ({kind, content: {...content, tap}, time: entry.at, who: "",
    waiting: true});
  const {name, value, names, services, outcomes} = entry;
  if (entry.kind === "opened") return [event("opened", {name})];
  if (entry.kind === "recorded") {
    const section = sectionOf(name, value);
    return [event(section === "readings" ? "read" : "seen", {section, name, value})];
  }
  if (entry.kind === "withdrawn") return [event("withdrawn", {names})];
  if (entry.kind === "test_done") return [event("test_done", {test: name})];
  if (entry.kind === "closed") {
    const told = Object.keys(outcomes || {}).length ? [event("confirmed", {outcomes})] : [];
    return [...told, event("closed", {})];
  }
  if (entry.kind === "undone") return [event("undone", {target: entry.target})];
  const agreed = Object.fromEntries(["refused", "back_by", "watch"].map((key) => [key, entry[key]])
    .filter(([, told]) => told && (typeof told === "string" || Object.keys(told).length)));
  return [event(entry.kind, {services, ...agreed})];
}

/** Steps that stand, after everything that was taken back. */
function standingSteps(events) {
  const steps = [], undone = [];
  for (const event of events) {
    if (event.kind === "opened") continue;
    if (event.kind === "undone" && event.content.target) undoTarget(steps, event);
    else if (event.kind === "undone") undone.push(steps.pop());
    else if (event.kind === "redone") steps.push(undone.pop());
    else {
      steps.push(event);
      undone.length = 0;
    }
  }
  return steps.filter(Boolean);
}

/** Take back one entry that waits here; one in the middle gives way to what stood before it. */
function undoTarget(steps, event) {
  const {target} = event.content;
  const at = steps.findLastIndex((step) => idOf(step) === target);
  if (at < 0) return;
  const [step] = steps.slice(at);
  if (at === steps.length - 1) {
    while (steps.length && idOf(steps[steps.length - 1]) === target) steps.pop();
    return;
  }
  if (step.kind !== "seen" && step.kind !== "read") return;
  const {name} = step.content;
  const earlier = steps.findLast((one) => one !== step && one.content.name === name
    && (one.kind === "seen" || one.kind === "read"));
  steps.push(earlier ? {...event, kind: earlier.kind, content: {...earlier.content,
    tap: event.content.tap}} : {...event, kind: "withdrawn", content: {names: [name],
    tap: event.content.tap}});
}

const ofSections = (noted, sections) =>
  Object.fromEntries(Object.entries(noted).filter(([, seen]) => sections.includes(seen.section)));

/** What stands under a name after a look: what a photo says stands, the word is kept beside it. */
function noted(before, {kind, content, time, ...step}) {
  const {section, value, name} = content, id = idOf({content, ...step});
  if (kind !== "doubted") return before && before.ofPhoto && before.used
    ? {...before, saw: value} : {section, value, doubted: false, used: true, id, time};
  if (value) return {section, value, doubted: true, used: true, id, time};
  if (!before) throw new Error(`${name} is doubted and was never recorded`);
  if (before.ofPhoto && before.used && before.saw !== undefined)
    return {section: "findings", value: before.saw, doubted: false, used: true, id, time};
  return {...before, doubted: true, used: false, id, time};
}

/** A case after all its events. */
function replayed(events) {
  const steps = standingSteps(events);
  const state = {name: events[0].content.name, noted: {}, tests: [], plan: null, agreed: {},
    repairs: [], confirmed: {}, closed: false, steps, unsettled: {}};
  const open = {};
  for (const step of steps) {
    const {kind, content} = step;
    if (kind === "seen" || kind === "read" || kind === "doubted") {
      state.noted[content.name] = noted(state.noted[content.name], step);
      if (kind !== "doubted") heldOpen(open, step);
    } else if (kind === "photographed") {
      for (const [name, value] of Object.entries(content.findings)) {
        const before = state.noted[name] || {};
        state.noted[name] = {section: "findings", value, doubted: false, used: true,
          id: idOf(step), time: step.time, ofPhoto: true,
          saw: before.ofPhoto ? before.saw : before.value};
      }
    } else if (kind === "withdrawn") {
      for (const name of content.names) { delete state.noted[name]; delete open[name]; }
    } else if (kind === "test_done") state.tests.push(content.test);
    else if (kind === "plan_chosen") {
      const {refused = {}, back_by = "", watch = ""} = content;
      Object.assign(state, {plan: content.services, agreed: {refused, back_by, watch}});
    }
    else if (kind === "repaired") {
      state.repairs.push({services: content.services, tests: state.tests,
        noted: ofSections(state.noted, BEFORE_REPAIR), all: {...state.noted}});
      state.noted = ofSections(state.noted, LASTING);
      Object.assign(state, {tests: [], plan: null, agreed: {}});
      for (const name of Object.keys(open)) delete open[name];
    } else if (kind === "confirmed") state.confirmed = content.outcomes;
    else if (kind === "closed") state.closed = true;
  }
  for (const [name, values] of Object.entries(open))
    if (values.length > 1) state.unsettled[name] = values;
  return state;
}

/** Values of one thing of which neither device knew the other's stay open side by side. */
function heldOpen(open, step) {
  const {name, value, tap} = step.content, before = open[name] || [];
  const known = tap ? new Set(tap.replaces || []) : new Set(before.map(({id}) => id));
  const same = (other) => JSON.stringify(other) === JSON.stringify(value);
  open[name] = [...before.filter((one) => !known.has(one.id) && !same(one.value)),
    {id: idOf(step), value, time: step.time}];
}

/** What bears on the belief, by section. */
function sectionsOf(noted) {
  const sections = {vehicle: {}, conditions: {}, history: {}, findings: {}, readings: {}};
  for (const [name, seen] of Object.entries(noted))
    if (seen.used) sections[seen.section][name] = seen.value;
  return sections;
}
