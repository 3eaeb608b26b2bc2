"use strict";
// A case as a case file (TOML), readable by every command, with the entries behind it as comments,
// so that a page with a server can take each of them in once.

const ENTRY_MARK = "#: ";

const quoted = (text) => JSON.stringify(String(text)).replaceAll("\u007f", "\\u007f");
const oneLine = (text) => String(text).replace(/[\u0000-\u001f\u007f-\u009f\u2028\u2029]+/g, " ");

function tomlValue(value) {
  if (typeof value === "string") return quoted(value);
  return `{ ${Object.entries(value).map(([state, share]) => `${state} = ${share}`).join(", ")} }`;
}

function sectionLines(header, content) {
  const lines = Object.entries(content || {}).map(([name, value]) => `${name} = ${tomlValue(value)}`);
  return lines.length ? ["", `[${header}]`, ...lines] : [];
}

function caseFile(state, entries) {
  const sections = sectionsOf(state.noted);
  const lines = [`# ${oneLine(state.name)}`];
  lines.push(...sectionLines("vehicle", sections.vehicle));
  lines.push(...sectionLines("conditions", sections.conditions));
  lines.push(...sectionLines("history", sections.history));
  for (const repair of state.repairs) {
    const before = sectionsOf(repair.noted);
    lines.push("", "[[repaired]]", `services = [${repair.services.map(quoted).join(", ")}]`);
    const own = sectionLines("repaired.conditions", before.conditions);
    lines.push(...(own.length ? own : ["", "[repaired.conditions]"]));
    lines.push(...sectionLines("repaired.findings", before.findings));
    lines.push(...sectionLines("repaired.readings", before.readings));
  }
  const findings = sectionLines("findings", sections.findings);
  lines.push(...(findings.length || state.repairs.length ? findings : ["", "[findings]"]));
  lines.push(...sectionLines("readings", sections.readings));
  lines.push(...sectionLines("confirmed", state.confirmed));
  const told = entries.map(({order, problem, ...entry}) =>
    ENTRY_MARK + JSON.stringify(entry).replace(/[\u007f-\u009f\u2028\u2029]/g, (sign) =>
      `\\u${sign.charCodeAt(0).toString(16).padStart(4, "0")}`));
  if (told.length) lines.push("", "# What was entered, for the page at the car to take in:", ...told);
  return `${lines.join("\n")}\n`;
}

const ENTRY_KINDS = ["opened", "recorded", "withdrawn", "test_done", "plan_chosen", "repaired",
  "closed", "undone"];

/** Whether something read from a file can be an entry; what it says is checked by the book. */
function isEntry({id, device, count, at, case: key, kind, name = "", value = "", names = [],
  services = [], outcomes = {}, refused = {}, back_by = "", watch = ""}) {
  const hex = (text) => /^[0-9a-f]{32}$/.test(text);
  const texts = (list) => Array.isArray(list) && list.every((one) => typeof one === "string");
  const shares = (one) => typeof one === "object" && one !== null
    && Object.values(one).every(Number.isFinite);
  return hex(id) && hex(device) && Number.isInteger(count) && typeof at === "string"
    && typeof key === "string" && ENTRY_KINDS.includes(kind) && typeof name === "string"
    && (typeof value === "string" || shares(value)) && texts(names) && texts(services)
    && texts(Object.values(outcomes)) && texts(Object.values(refused))
    && texts([back_by, watch]);
}

/** Entries that a case file holds; an error where it holds none, or something else. */
function entriesIn(text) {
  const entries = text.split("\n").filter((line) => line.startsWith(ENTRY_MARK))
    .map((line) => JSON.parse(line.slice(ENTRY_MARK.length)));
  if (!entries.length || !entries.every(isEntry)) throw new Error("these are no entries");
  return entries;
}
