"use strict";
const byId = (id) => document.getElementById(id);
const copy = (value) => JSON.parse(JSON.stringify(value));
const words = (name) => name.replaceAll("_", " ").replace("degC", "°C");
const sentence = (text) => text.charAt(0).toUpperCase() + text.slice(1);

function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [key, value] of Object.entries(attributes)) {
    if (key === "text") element.textContent = value;
    else if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else element.setAttribute(key, value);
  }
  element.append(...children);
  return element;
}

let car = copy(CATALOGUE.start);   // what is known and supposed, as a case file has it
const past = [];                   // earlier cars, for undo
let last = null;                   // what the engine answered last
let outlines = null;               // the answer that the outlines show
let held = false;
let sorted = false;
let asking = false;
let waiting = false;

function change(edit, joinsTheLast = false) {
  if (!joinsTheLast) past.push(copy(car));
  edit();
  ask(joinsTheLast);
}

async function ask(joinsTheLast = false) {
  if (asking) { waiting = true; return; }
  asking = true;
  try {
    const response = await fetch("/", { method: "POST", body: JSON.stringify(car),
      headers: { "Content-Type": "application/json" } });
    const answer = await response.json();
    if (!answer.problem) {
      if (!held && !joinsTheLast && last) outlines = last;
      last = answer;
    }
    draw(answer.problem || "");
  } catch (error) {
    draw("no answer; is the command in the terminal still running?");
  }
  asking = false;
  if (waiting) { waiting = false; ask(true); }
}

function percent(p) {
  const rounding = 1e-12;
  if (p > rounding && p < 0.01) return "<1 %";
  if (p < 1 - rounding && p > 0.99) return ">99 %";
  return Math.round(100 * p) + " %";
}

function numberOf(text) { return parseFloat(text); }

// ---- the car ------------------------------------------------------------------------------

function drawCar() {
  const parts = [];
  for (const [name, choice] of Object.entries(CATALOGUE.choices)) {
    const section = name === "setting" ? "conditions" : "vehicle";
    const select = make("select", { onchange: (event) => change(() => {
      if (event.target.value) car[section][name] = event.target.value;
      else delete car[section][name];
    }) });
    for (const value of ["", ...choice.values]) {
      const option = make("option", { value, text: words(value) || "not stated" });
      option.selected = (car[section][name] || "") === value;
      select.append(option);
    }
    parts.push(make("label", {}, choice.title, select));
  }
  for (const [name, title, unit, low, high] of [
    ["ambient", "Air at the condenser", "degC", 0, 45], ["humidity", "Humidity", "%", 10, 100]]) {
    const shown = make("output", { text: words(car.conditions[name]) });
    const slider = make("input", { type: "range", min: low, max: high, step: 1,
      value: numberOf(car.conditions[name]), "aria-label": title });
    let begun = false;
    slider.addEventListener("input", () => {
      change(() => { car.conditions[name] = slider.value + " " + unit; }, begun);
      shown.textContent = words(car.conditions[name]);
      begun = true;
    });
    slider.addEventListener("change", () => { begun = false; });
    parts.push(make("label", {}, make("span", {}, title + " ", shown), slider));
  }
  byId("car").replaceChildren(...parts);
}

// ---- what is known -------------------------------------------------------------------------

const drawn = {};                  // node name to the function that brings its row up to date

function buildGroups() {
  const openAtFirst = ["complaint", "sample"];
  const groups = CATALOGUE.groups.map((group) => {
    const count = make("span", { class: "count" });
    const details = make("details", {}, make("summary", {}, group.title + " ", count),
      ...group.nodes.map((node) => node.gauge ? dialRow(node) : answerRow(node)));
    details.open = openAtFirst.includes(group.title)
      || group.nodes.some((node) => known(node) !== undefined);
    drawn["group " + group.title] = () => {
      const seen = group.nodes.filter((node) => known(node) !== undefined).length;
      count.textContent = seen ? seen + " of " + group.nodes.length : "";
    };
    return details;
  });
  byId("groups").replaceChildren(...groups);
}

function known(node) {
  return car.readings[node.name] ?? car[node.section][node.name];
}

function answerRow(node) {
  const row = make("div", { class: "node" });
  const title = make("div", { class: "title", title: node.about, text: node.title });
  const buttons = node.states.map((state) => make("button", { text: words(state),
    "aria-label": node.title + ": " + words(state), onclick: () => change(() => {
      if (car[node.section][node.name] === state) delete car[node.section][node.name];
      else car[node.section][node.name] = state;
    }) }));
  const unsure = make("span", { class: "unsure" });
  row.append(title, make("div", { class: "answers" }, ...buttons, unsure));
  drawn[node.name] = () => {
    const now = car[node.section][node.name];
    const expected = last && last.expected[node.name];
    row.classList.toggle("seen", now !== undefined);
    buttons.forEach((button, place) => {
      button.setAttribute("aria-pressed", String(now === node.states[place]));
      const share = now === undefined && expected ? expected[place] : 0;
      button.style.setProperty("--likely", (100 * share).toFixed(1) + "%");
      button.title = now === undefined && expected ? "expected now: " + percent(share) : "";
    });
    unsure.textContent = typeof now === "object" ? "not sure: " + Object.entries(now).map(
      ([state, weight]) => words(state) + " " + weight).join(", ") : "";
  };
  return row;
}

function dialRow(node) {
  const row = make("div", { class: "node" });
  const title = make("div", { class: "title", title: node.about, text: node.title });
  const slider = make("input", { type: "range", step: "any", "aria-label": node.title });
  const sound = make("span", { class: "sound", title: "what a sound loop shows" });
  const shown = make("output");
  const away = make("button", { text: "×", "aria-label": "forget " + node.title,
    onclick: () => change(() => {
      delete car.readings[node.name];
      delete car.findings[node.name];
    }) });
  const dial = make("div", { class: "dial" }, make("div", { class: "track" }, slider, sound), shown,
    away);
  let begun = false;
  slider.addEventListener("input", () => {
    const unit = last.dials[node.name].unit;
    const decimals = unit === "bar" ? 2 : unit === "g" ? 0 : 1;
    change(() => {
      delete car.findings[node.name];
      car.readings[node.name] = Number(slider.value).toFixed(decimals) + " " + unit;
    }, begun);
    shown.textContent = words(car.readings[node.name]);
    begun = true;
  });
  slider.addEventListener("change", () => { begun = false; });
  row.append(title, dial);
  drawn[node.name] = () => {
    const reach = last && last.dials[node.name];
    const now = known(node);
    row.classList.toggle("seen", now !== undefined);
    dial.classList.toggle("unread", now === undefined);
    slider.disabled = !reach;
    if (!reach) { shown.textContent = "state the car"; return; }
    slider.min = reach.low;
    slider.max = reach.high;
    const read = car.readings[node.name];
    if (!begun) slider.value = read === undefined ? reach.sound : numberOf(read);
    const place = (reach.sound - reach.low) / (reach.high - reach.low);
    sound.style.left = "calc(" + (100 * place).toFixed(1) + "% - " + (16 * (place - 0.5) + 1.5).toFixed(1) + "px)";
    shown.textContent = now === undefined ? words("sound: " + reach.sound + " " + reach.unit)
      : typeof now === "object" ? "not sure" : words(now);
  };
  return row;
}

// ---- how likely ----------------------------------------------------------------------------

const SOUND = "sound";
const rows = {};

function buildRows() {
  const titles = { [SOUND]: { title: "nothing wrong", about: "" }, ...CATALOGUE.conditions };
  for (const [name, condition] of Object.entries(titles)) {
    const button = make("button", { text: sentence(condition.title), title: condition.about,
      onclick: () => change(() => suppose(name)) });
    if (name === SOUND) button.disabled = true;
    const parts = Object.fromEntries(["now", "outline", "prior"].map(
      (part) => [part, make("div", { class: part })]));
    const value = make("div", { class: "value" });
    const moved = make("div", { class: "change" });
    const row = make("div", { class: "row" }, button,
      make("div", { class: "bar" }, parts.now, parts.prior, parts.outline), value, moved);
    rows[name] = { row, button, value, moved, title: sentence(condition.title), ...parts };
  }
  byId("rows").append(...Object.values(rows).map((one) => one.row));
  byId("rows").style.height = "calc(var(--row) * " + Object.keys(rows).length + ")";
}

function suppose(name) {
  const next = { undefined: "present", present: "absent" }[car.confirmed[name]];
  const variable = CATALOGUE.conditions[name].variable;
  if (next === "present") {
    // two degrees of one thing cannot both be there
    for (const other of Object.keys(car.confirmed)) {
      if (CATALOGUE.conditions[other].variable === variable) delete car.confirmed[other];
    }
  }
  if (next) car.confirmed[name] = next;
  else delete car.confirmed[name];
}

function pair(answer, name) {
  return name === SOUND ? answer.sound : answer.conditions[name];
}

function drawRows() {
  const names = Object.keys(rows);
  const order = sorted
    ? [...names].sort((one, other) => pair(last, other)[0] - pair(last, one)[0]) : names;
  for (const name of names) {
    const one = rows[name];
    const [now, prior] = pair(last, name);
    const before = outlines ? pair(outlines, name)[0] : now;
    const supposed = car.confirmed[name];
    one.row.style.transform = "translateY(calc(var(--row) * " + order.indexOf(name) + "))";
    one.row.className = "row" + (supposed === "present" ? " there" : supposed === "absent"
      ? " not" : now < 0.05 && prior < 0.05 ? " faint" : "");
    one.button.textContent = (supposed === "present" ? "Suppose: "
      : supposed === "absent" ? "Suppose not: " : "") + one.title;
    one.now.style.width = 100 * now + "%";
    one.outline.style.width = 100 * before + "%";
    one.outline.hidden = Math.abs(before - now) < 0.005;
    one.outline.style.display = one.outline.hidden ? "none" : "";
    one.prior.style.left = "calc(" + 100 * prior + "% - 1.5px)";
    one.value.textContent = percent(now);
    const points = Math.round(100 * now) - Math.round(100 * before);
    one.moved.textContent = points > 0 ? "▲ " + points : points < 0 ? "▼ " + -points : "";
  }
}

// ---- all of it -------------------------------------------------------------------------------

function draw(problem) {
  byId("problem").hidden = !problem;
  byId("problem").textContent = problem ? "This cannot be: " + problem : "";
  if (!last) return;
  byId("stops").replaceChildren(...last.stops.map((stop) => make("p", {},
    make("strong", {}, "Stop: " + stop.title + ". "),
    stop.reason + " Lifted by " + stop.who + ": " + stop.lifted_by)));
  drawRows();
  for (const bringUpToDate of Object.values(drawn)) bringUpToDate();
  const notes = [...last.warnings];
  if (last.conflict > 2) notes.push("The findings support each other less than chance would ("
    + last.conflict.toFixed(1) + " bits): a misreading, or a rare car.");
  byId("note").textContent = notes.join(" ");
  byId("undo").disabled = !past.length;
  byId("outline-word").textContent = held ? "when held" : "before the last change";
}

function setCar(value) {
  car = copy(value);
  drawCar();
  ask();
}

function toggle(button, on) { button.setAttribute("aria-pressed", String(on)); }

byId("name").textContent = CATALOGUE.name;
byId("undo").addEventListener("click", () => { if (past.length) setCar(past.pop()); });
byId("again").addEventListener("click", () => { past.push(copy(car)); setCar(CATALOGUE.start); });
byId("clear").addEventListener("click", () => {
  past.push(copy(car));
  setCar({ vehicle: car.vehicle, conditions: car.conditions, history: {}, findings: {},
    readings: {}, confirmed: {} });
});
byId("pin").addEventListener("click", () => {
  held = !held;
  if (held) outlines = last;
  toggle(byId("pin"), held);
  draw("");
});
byId("order").addEventListener("click", () => {
  sorted = !sorted;
  toggle(byId("order"), sorted);
  draw("");
});
let size = 16;
for (const [id, step] of [["smaller", -1], ["larger", 1]]) {
  byId(id).addEventListener("click", () => {
    size = Math.min(28, Math.max(12, size + step));
    document.documentElement.style.setProperty("--size", size + "px");
  });
}
document.addEventListener("keydown", (event) => {
  const typing = ["SELECT", "INPUT"].includes(event.target.tagName);
  if (event.key === "u" && !typing && !event.ctrlKey && !event.metaKey) byId("undo").click();
});
drawCar();
buildGroups();
buildRows();
ask();
