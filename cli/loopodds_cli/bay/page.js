"use strict";
// The page itself: what each tap does.

const FRESH_UI = {sheet: null, test: null, read: false, skipped: [], sure: 0, alternative: 0,
  draft: {text: ""}, timers: {}, trail: [], problem: "", chosen: [], outcomes: {}, agreed: null};
const LARGEST_SIDE = 1600, PATIENCE_MS = 2500, SETTLE_MS = 300, WARMED = 6, BELIEFS_KEPT = 8;

/** Bytes that were put together by their place in each eight, put back. */
function inPlace(buffer) {
  const planes = new Uint8Array(buffer), count = planes.length / 8;
  const bytes = new Uint8Array(planes.length);
  for (let place = 0; place < 8; place++)
    for (let i = 0, from = place * count; i < count; i++) bytes[8 * i + place] = planes[from + i];
  return bytes.buffer;
}

class App {
  static async start() {
    const settings = JSON.parse(document.getElementById("settings").textContent);
    const packed = Uint8Array.from(atob(document.getElementById("carried").textContent.trim()),
      (sign) => sign.charCodeAt(0));
    const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
    const app = new App();
    app.settings = settings;
    app.data = unpack(inPlace(await new Response(stream).arrayBuffer()));
    for (const [name, told] of Object.entries(app.data.form.nodes))
      Object.assign(app.data.tree.nodes[name], {title: told.title});
    app.tree = new Tree(app.data);
    app.scales = new Scales(app.data);
    app.repairs = new Repairs(app.data, app.scales, app.tree);
    Object.assign(app, {beliefs: new WeakMap(), odd: new Map()});
    app.gates = new Map();
    app.ui = {...FRESH_UI};
    Object.assign(app, {settle_ms: SETTLE_MS, patience_ms: PATIENCE_MS});
    app.store = await Store.open(settings, (name, value) => app.section(name, value));
    if (settings.whatif) {
      app.whatIf(settings.whatif);
      return app;
    }
    app.key = null;
    app.store.listeners.push(() => app.draw());
    app.store.watch();
    setInterval(() => app.tick(), 500);
    addEventListener("keydown", (event) => app.typed(event));
    app.warm(WARMED);
    await app.open(app.store.prefs.key_open || null);
    if (location.hash && settings.paired && !app.store.prefs.key)
      await app.pair(location.hash.slice(1));
    return app;
  }

  /** Work out an invented car a few times, between other things: a browser makes fast what it has
   * met often, and the first car need not wait for that. */
  warm(times) {
    const {scales, data: {form}} = this, findings = {}, readings = {};
    for (const [name, {kind}] of Object.entries(form.nodes))
      if (kind === "finding") [findings[name]] = scales.states(name);
    for (const [name, {dimension}] of Object.entries(scales.readings))
      readings[name] = `1 ${form.units[dimension][0]}`;
    const vehicles = scales.choices.refrigerant.map((refrigerant) => ({refrigerant}));
    const once = (left) => {
      scales.kept.clear();
      const vehicle = vehicles[left % vehicles.length];
      const found = scales.evidence({vehicle, findings, readings});
      this.tree.believe(found.contexts, found.evidence);
      if (left) setTimeout(() => once(left - 1));
    };
    setTimeout(() => once(times));
  }

  /** What is believed of some evidence; the last few are kept, for what the next step moves. */
  remembered(tree, contexts, evidence) {
    if (!this.beliefs.has(tree)) this.beliefs.set(tree, new Map());
    return this.kept(this.beliefs.get(tree), JSON.stringify([contexts, evidence]),
      () => tree.believe(contexts, evidence));
  }

  /** What was worked out under a key, or is now; the last few are kept. */
  kept(held, key, make) {
    if (!held.has(key)) {
      if (held.size >= BELIEFS_KEPT) held.delete(held.keys().next().value);
      held.set(key, make());
    }
    return held.get(key);
  }

  /** The rules for cars of one make-up. */
  gatesOf(contexts) {
    const key = JSON.stringify(contexts);
    if (!this.gates.has(key)) {
      if (this.gates.size >= BELIEFS_KEPT) this.gates.clear();
      this.gates.set(key, new Gates(this.data, contexts));
    }
    return this.gates.get(key);
  }

  // --- words -------------------------------------------------------------------------------------

  section(name, value) {
    const {sections} = this.scales;
    for (const section of ["vehicle", "conditions"])
      if (sections[section].includes(name)) return section;
    const node = this.data.form.nodes[name];
    if (!node) return "readings";
    if (node.kind === "history") return "history";
    const worded = typeof value !== "string" || this.scales.states(name).includes(value);
    return worded ? "findings" : "readings";
  }

  title(name) {
    const {form, tree, rules} = this.data;
    const told = form.nodes[name] || form.amounts[name] || form.stated[name] || tree.conditions[name]
      || form.faults[name] || rules.tests[name] || rules.services[name];
    return told ? told.title : capital(spaced(name));
  }

  remarks(sections) { return new Remarks(this.data, this.tree, this.scales, sections); }

  /** What is odd of what is noted; that of the last few cars is kept, for what the next step adds. */
  oddOf(noted) {
    const sections = sectionsOf(noted);
    return this.kept(this.odd, JSON.stringify(sections), () => this.remarks(sections).odd());
  }

  /** A remark with titles in place of the names that stand in it; how a case file is written is
   * nothing to whoever taps. */
  plain(text) {
    const told = text.replace(/ in \[vehicle\]|; write \w+ = .*$/g, "");
    return capital(told.replace(/\b[a-z][a-z0-9]*(?:_[a-z0-9]+)+\b|^[a-z]+(?= (is|was) )/g, (name) => {
      const title = this.title(name);
      return title.charAt(0).toLowerCase() + title.slice(1);
    }));
  }

  about(name) {
    const {form} = this.data;
    const stated = form.stated[name];
    return (form.nodes[name] || (stated && stated.choices.length ? stated : {})).about || "";
  }

  word(state) { return spaced(state); }

  dimension(name) {
    const reading = this.scales.readings[name];
    return reading ? reading.dimension : this.scales.numbers[name];
  }

  /** The ways in which something can be answered: words, or numbers. */
  alternatives(name) {
    const {form} = this.data, node = form.nodes[name];
    const question = form.asked[name] || (node && node.question) || this.title(name);
    const dimension = this.dimension(name);
    const number = dimension && {name, question, dimension, other: "In words instead"};
    const states = node ? this.scales.states(name) : form.stated[name]?.choices || [];
    const words = states.length && {name, question, states, sure: Boolean(node),
      other: "Measured: type the number"};
    const measured = (node ? node.amounts : []).map((amount) => ({name: amount,
      question: form.amounts[amount].question, dimension: this.dimension(amount),
      other: "In words instead"}));
    return [number, words, ...measured].filter(Boolean);
  }

  units({name, dimension}) {
    return this.data.form.own_units[name] || this.data.form.units[dimension];
  }

  unit(asked) {
    const units = this.units(asked);
    const kept = this.store.prefs.units[this.data.form.own_units[asked.name] ? asked.name
      : asked.dimension];
    return units.includes(kept) ? kept : units[0];
  }

  chooseUnit(asked, unit) {
    const key = this.data.form.own_units[asked.name] ? asked.name : asked.dimension;
    this.store.prefs.units[key] = unit;
    this.store.savePrefs();
    this.show({});
  }

  syncText(long = false) {
    const {store} = this;
    const waiting = store.waiting.length + store.photos.length;
    const {entries, photos} = store.turnedAway(this.key), away = entries.length + photos.length;
    const fleeting = store.shelf.lasting ? "" : "kept until this page is closed";
    if (away && !long) return `not taken over: ${away}`;
    if (!store.settings.server) return fleeting || "kept on this device";
    if (waiting) return `not sent yet: ${waiting}`
      + [long && store.problem, fleeting].filter(Boolean).map((told) => ` (${told})`).join("");
    if (!store.online) return long ? "no connection; everything entered is kept here" : "offline";
    return "in the book";
  }

  // --- the screen --------------------------------------------------------------------------------

  show(change) {
    Object.assign(this.ui, change);
    this.keepUi();
    this.draw(true);
  }

  keepUi() {
    if (!this.key) return;
    const {skipped, test, read, timers, trail} = this.ui;
    this.store.shelf.put("prefs", `ui:${this.key}`, {skipped, test, read, timers, trail});
  }

  car() {
    if (!this.key) return null;
    const signature = this.signature();
    if (this.cached !== signature) {
      this.cached = signature;
      this.shownCar = new Car(this, this.key);
    }
    return this.shownCar;
  }

  signature() {
    const record = this.store.cases.get(this.key);
    const waiting = this.store.waiting.filter((entry) => entry.case === this.key);
    const {events = [], photos = [], advice, offers} = record || {};
    return [this.key, events.length, photos.length, advice && advice.events,
      offers && offers.events, ...waiting.map(({id}) => id)].join();
  }

  /** Ask what if of a car, on a screen for a whole class; nothing of it is recorded. */
  whatIf(car, leave = null) {
    this.classroom = new Classroom(this, car, leave);
  }

  whatIfOf(car) {
    const start = {...copied(EMPTY), ...sectionsOf(car.state.noted)};
    this.whatIf({name: car.state.name, start}, () => {
      this.classroom = null;
      this.show({sheet: null});
    });
  }

  draw(moved = false) {
    if (this.classroom) return;
    try {
      this.drawn(moved);
    } catch (error) {
      document.getElementById("main").replaceChildren(...Screens.broken(this, error));
      setTimeout(() => { throw error; });
    }
  }

  drawn(moved) {
    const car = this.car();
    const place = this.place(car);
    const fill = (id, nodes) =>
      document.getElementById(id).replaceChildren(...[nodes].flat(Infinity).filter(Boolean));
    fill("top", Screens.top(this, car));
    fill("foot", Screens.foot(this, car));
    if (place === this.shown && !moved && this.typing()) return;
    fill("main", this.content(car));
    if (place !== this.shown) {
      this.shown = place;
      this.changedAt = performance.now();
      scrollTo(0, 0);
      document.querySelector("main h1")?.focus({preventScroll: true});
    }
  }

  /** What an answer does, unless it is the second tap of a shaking hand on the screen before. */
  once(does) {
    return () => { if (performance.now() - this.changedAt >= this.settle_ms) does(); };
  }

  typing() {
    const {activeElement} = document;
    return activeElement && activeElement.tagName === "INPUT"
      && ["text", "date"].includes(activeElement.type);
  }

  /** What the screen is about; a change of it begins at the top. */
  place(car) {
    const {sheet, test, read} = this.ui;
    return [this.key, sheet, test, read, car && this.asked(car)].join("|");
  }

  asked(car) {
    const {ui} = this;
    if (ui.again) return ui.again;
    if (car.state.closed || car.state.plan || car.repaired) return ui.test && this.nextQuestion(car);
    return car.intake(ui.skipped)[0] || (ui.test && this.nextQuestion(car)) || "";
  }

  nextQuestion(car) {
    return car.questions(this.ui.test, this.ui.skipped)[0];
  }

  content(car) {
    const {ui} = this;
    if (!car) return ui.sheet === "name" ? Screens.name(this) : Screens.cases(this);
    if (ui.sheet) return (Sheets[ui.sheet])(this, car);
    if (car.state.closed) return Screens.closed(this, car);
    const troubles = Screens.troubles(this, car);
    if (ui.again) return [troubles, Screens.question(this, car, ui.again, {
      skip: () => this.show({again: null}), skipLabel: "Leave it as it is"})];
    const intake = car.intake(ui.skipped), open = !car.state.plan && !car.repaired;
    if (open && intake.length && !ui.test) return [troubles, Screens.question(this, car, intake[0], {
      from: `About the car, ${intake.length} to go`, skipLabel: "Not known",
      skip: () => this.skip(intake[0])})];
    if (ui.test) return [troubles, this.testing(car)];
    if (car.state.plan) return [troubles, Sheets.decided(this, car)];
    return [troubles, Screens.next(this, car)];
  }

  testing(car) {
    const {ui} = this, name = this.nextQuestion(car);
    if (!ui.read) return Screens.steps(this, car, ui.test);
    if (!name) return [];
    return Screens.question(this, car, name, {from: this.data.rules.tests[ui.test].title,
      skip: () => this.skip(name), skipLabel: "Cannot see it"});
  }

  tick() {
    for (const shown of document.querySelectorAll("[data-timer]")) {
      const end = this.ui.timers[shown.dataset.timer];
      if (!end) continue;
      const left = (end - Date.now()) / 1000;
      shown.textContent = left > 0 ? `${span(left)} left` : "Time is up: start again";
      if (left <= 0 && this.rung !== end) {
        this.rung = end;
        this.say("Time is up");
        if (navigator.vibrate) navigator.vibrate([300, 150, 300]);
      }
    }
  }

  /** Digits of a keyboard press the keys on the screen. */
  typed(event) {
    if (this.classroom) return;
    const {key, ctrlKey, metaKey, altKey} = event;
    if (ctrlKey || metaKey || altKey || this.typing()) return;
    const sign = {",": ".", "-": "minus", Backspace: "back"}[key] || key;
    const pressed = [...document.querySelectorAll("[data-key]")].find((one) =>
      one.dataset.key === sign);
    const enter = key === "Enter" && document.activeElement.tagName !== "BUTTON"
      && document.getElementById("enter");
    if (pressed || enter) {
      event.preventDefault();
      (pressed || enter).click();
    }
  }

  say(text) { document.getElementById("said").textContent = text; }

  startTimer(key, minutes) {
    this.show({timers: {...this.ui.timers, [key]: Date.now() + minutes * 60000}});
    if (navigator.wakeLock) navigator.wakeLock.request("screen").catch(() => {});
  }

  // --- what to do next -----------------------------------------------------------------------------

  /** Tests by bits a minute; null until they are worked out. */
  ranked(car) {
    if (car.ranked || car.advice || !car.itself || !car.possible) return car.ranked || null;
    if (!car.ranking_began) {
      car.ranking_began = true;
      const outlook = new Outlook(car.known.tree, this.scales, car.belief);
      rankedTests(outlook, car.gates, car.progress, () => this.shownCar !== car).then((ranked) => {
        car.ranked = ranked;
        if (ranked) this.draw();
      });
    }
    return null;
  }

  /** The next step of a car; what once stood on the screen stays while nothing is entered. */
  suggestion(car) {
    const of = [this.key, ...car.events.map(idOf)].join();
    if (!this.held || this.held.of !== of) this.held = {of, since: Date.now(), next: null};
    const {held, store} = this;
    const wait = store.online && !car.advice ? held.since + this.patience_ms - Date.now() : 0;
    if (held.next || (wait > 0 && !car.stops().length)) {
      if (!held.next) setTimeout(() => this.draw(), wait + 1);
      return held.next;
    }
    held.next = car.next(this.ranked(car));
    return held.next;
  }

  startTest(test, read = false) {
    this.show({test, read, sheet: null, draft: {text: ""}, problem: ""});
  }

  finishTest(car) {
    const {test, skipped} = this.ui;
    if (!test || car.questions(test, skipped).length) return;
    const yields = this.data.rules.tests[test].yields || [];
    const asked = yields.flatMap((name) => this.data.form.read_as[name] || [name]);
    const unseen = asked.some((name) => skipped.includes(name));
    this.ui.test = null;
    if (unseen) this.enter({kind: "test_done", name: test});
  }

  // --- entries -------------------------------------------------------------------------------------

  async enter(entry) {
    this.ui.trail.push("entry");
    await this.store.enter(this.key, entry);
    this.say("kept");
  }

  record(car, name, value) {
    const standing = car.state.noted[name];
    const open = (car.state.unsettled[name] || []).map(({id}) => id);
    const replaces = [...new Set([...(standing ? [standing.id] : []), ...open])];
    Object.assign(this.ui, {sure: 0, alternative: 0, draft: {text: ""}, problem: "", again: null});
    const entered = this.enter({kind: "recorded", name, value, replaces});
    this.finishTest(this.car());
    this.show({});
    return entered;
  }

  answer(car, {name, states, sure}, state) {
    const {others} = this.data.form.sure[sure ? this.ui.sure : 0];
    const value = others ? Object.fromEntries(states.map((one) =>
      [one, one === state ? 1 : others])) : state;
    this.record(car, name, value);
  }

  answerNumber(car, asked) {
    const text = `${this.ui.draft.text} ${this.unit(asked)}`;
    const problem = this.wrong(car, asked, text);
    if (problem) this.show({problem});
    else this.record(car, asked.name, text);
  }

  /** Why a number cannot be; empty where it can. */
  wrong(car, {name, dimension}, text) {
    const {scales} = this;
    const altitude = scales.quantity((car.state.noted.altitude || {}).value || "0 m", "length");
    const value = scales.quantity(text, dimension, altitude);
    if (Number.isNaN(value)) return "Type a number";
    const [low, high, why] = (scales.readings[name] || {}).limits || scales.limits[name]
      || [-Infinity, Infinity, ""];
    if (value < low || value > high) return capital(why);
    const gas = car.state.noted.refrigerant;
    const off = dimension === "pressure" && gas
      && Number.isNaN(scales.boiling({choices: {refrigerant: gas.value}}, value));
    return off ? `No loop of ${gas.value} stands at that pressure` : "";
  }

  skip(name) {
    this.ui.trail.push(`skip:${name}`);
    Object.assign(this.ui, {skipped: [...this.ui.skipped, name], draft: {text: ""}, problem: "",
      alternative: 0, sure: 0});
    this.finishTest(this.car());
    this.show({});
  }

  undo(car) {
    const last = this.ui.trail.pop() || "entry";
    if (last.startsWith("skip:")) {
      const name = last.slice(5);
      this.show({skipped: this.ui.skipped.filter((one) => one !== name), sheet: null});
      return;
    }
    const {steps} = car.state, {device} = this.store.prefs;
    const step = steps.findLast(({content}) => content.tap && content.tap.device === device)
      || steps[steps.length - 1];
    if (!step) return;
    const {name} = step.content;
    const test = name && Object.keys(this.data.rules.tests).find((one) =>
      (this.data.rules.tests[one].yields || []).flatMap((y) => this.data.form.read_as[y] || [y])
        .includes(name));
    this.store.enter(this.key, {kind: "undone", target: idOf(step)});
    if (test && step.kind !== "test_done") Object.assign(this.ui, {test, read: true});
    this.say("taken back");
    this.show({sheet: null, draft: {text: ""}});
  }

  settle(car, name, value) { this.record(car, name, value); }

  withdraw(car, name) { this.enter({kind: "withdrawn", names: [name]}); }

  askAgain(name) { this.show({again: name, sheet: null, draft: {text: ""}}); }

  openPlan() {
    this.show({sheet: "plan"});
    this.store.wanted = ["offers", "advice"];
    this.store.wake();
  }

  decide(car, services, agreed = {}) {
    this.store.wanted = ["advice"];
    this.enter({kind: "plan_chosen", services, ...agreed});
    this.show({sheet: null, chosen: [], test: null, agreed: null, every: false});
  }

  /** What was refused, when the car comes back and what to watch for, before it is kept. */
  agree(change) {
    this.ui.agreed = {...this.ui.agreed, ...change};
    this.draw(true);
  }

  repaired(car, services) {
    this.enter({kind: "repaired", services});
    this.show({sheet: null, skipped: [], test: null});
  }

  close(car, outcomes) {
    const told = Object.fromEntries(Object.entries(outcomes).filter(([, word]) => word));
    this.enter({kind: "closed", outcomes: told});
    this.show({sheet: null, outcomes: {}});
  }

  closeAllTheSame(entry) {
    this.enter({kind: "closed", outcomes: entry.outcomes, sure: true});
    return this.store.drop(entry);
  }

  // --- cases ---------------------------------------------------------------------------------------

  async begin(name) {
    const key = await this.store.enter(null, {kind: "opened", name});
    await this.open(key);
  }

  async open(key) {
    const asked = this.opening = {};
    const known = key && this.store.keys().includes(key);
    const kept = known ? await this.store.shelf.get("prefs", `ui:${key}`) : null;
    if (this.opening !== asked) return; // another car was asked for since
    // The car and its screen change together: what comes in meanwhile draws the page anew.
    this.key = this.store.current = known ? key : null;
    this.ui = {...FRESH_UI, skipped: [], trail: [], timers: {}, ...kept};
    this.store.prefs.key_open = this.key;
    this.store.savePrefs();
    this.store.wake();
    this.draw(true);
  }

  async openNumber(number) {
    try {
      await this.open(await this.store.openNumber(number));
    } catch (error) { this.show({problem: capital(error.message)}); }
  }

  leave() {
    this.store.listedAt = 0;
    this.open(null);
  }

  async pair(word) {
    try {
      await this.store.pair(word);
      history.replaceState(null, "", location.pathname);
      this.show({problem: ""});
    } catch (error) { this.show({problem: error.message}); }
  }

  async takeIn(file) {
    try {
      const entries = entriesIn(await file.text());
      await this.store.takeIn(entries);
      await this.open(entries[0].case);
    } catch { this.show({problem: "There are no entries of a page in this file"}); }
  }

  save(car) {
    const own = this.store.waiting.filter((entry) => entry.case === car.key);
    this.saveText(caseFile(car.state, own), car.state.name);
  }

  saveText(text, called) {
    const name = (called || "case").replace(/[^\p{L}\p{N}-]+/gu, "_").slice(0, 40);
    saveAs(new Blob([text], {type: "application/toml"}), `${name}.toml`);
  }

  async takePhoto(car, about, file) {
    const picture = await smaller(file).catch(() => null);
    if (!picture) {
      const told = {id: hexId(), case: car.key, about, blob: file};
      await this.store.photoRefused(told, "this browser cannot open it as a picture");
      return;
    }
    await this.store.keepPhoto(car.key, about, picture);
    this.say("photo kept");
  }

  savePhoto(photo) {
    saveAs(photo.blob, `${photo.about}.${/png/.test(photo.blob.type) ? "png" : "jpg"}`);
  }

  /** Ask for the glass, once: what was said of the last one stands there already. */
  beginReading(name) {
    this.show({sheet: "reading", photo: name, reading: null, problem: "",
      draft: {text: this.store.prefs.path || ""}});
  }

  photoPath(car) { return `case/${car.record.case}/photos/${this.ui.photo}/reading`; }

  async readPhoto(car) {
    const path = this.ui.draft.text;
    await this.askFor(`${this.photoPath(car)}?path=${encodeURIComponent(`${path} mm`)}`, {},
      async (told) => {
        this.store.prefs.path = path;
        await this.store.savePrefs();
        this.show({reading: told, problem: ""});
      });
  }

  async acceptPhoto(car) {
    const body = `${this.store.prefs.path} mm`;
    await this.askFor(this.photoPath(car), {method: "POST", body}, async () => {
      await this.store.refresh(car.key);
      this.show({sheet: "recorded", reading: null, problem: ""});
    });
  }

  /** Ask the server; what it refuses, or that it is not there, stands on the screen. */
  async askFor(path, options, then) {
    try {
      const answer = await this.store.ask(path, options), told = await answer.json();
      if (!answer.ok) throw new Error(told.problem);
      await then(told);
    } catch (error) { this.show({problem: capital(error.message)}); }
  }
}

function saveAs(blob, name) {
  const address = URL.createObjectURL(blob);
  el("a", {href: address, download: name}).click();
  setTimeout(() => URL.revokeObjectURL(address), 10000);
}

/** A picture as JPEG, no side longer than needed to see a speck. */
async function smaller(file) {
  const picture = await createImageBitmap(file);
  const scale = Math.min(1, LARGEST_SIDE / Math.max(picture.width, picture.height));
  const canvas = el("canvas", {width: Math.round(picture.width * scale),
    height: Math.round(picture.height * scale)});
  canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
  return new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", 0.85));
}

App.start().then((app) => { window.bay = app; }, (error) => {
  document.getElementById("main").append(heading("This page cannot start in this browser"),
    para(error.message));
  throw error;
});
