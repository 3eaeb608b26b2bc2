"use strict";
// What if, for a class: everything that can be seen or supposed on one screen, with what it does to
// how likely each condition is. Nothing of it is recorded anywhere but in a case file, if saved.

const TEXT_SIZES = [14, 16, 18, 20, 23, 26, 30], OPEN_AT_FIRST = ["complaint", "sample"];
const NARROW = "(max-width: 899px)";
const EMPTY = {history: {}, findings: {}, readings: {}, confirmed: {}};
const SLIDERS = [["ambient", "degC", 0, 45], ["humidity", "%", 10, 100]];
const copied = (value) => JSON.parse(JSON.stringify(value));

/** A car about which a class asks what if. */
class Supposed {
  constructor(app, sections) {
    const {scales, tree} = app;
    Object.assign(this, {app, sections});
    this.found = scales.evidence(sections);
    this.evidence = {...this.found.evidence, ...this.confirmed(this.found.evidence)};
    this.belief = tree.believe(this.found.contexts, this.evidence);
    this.problem = scales.impossible(scales.columns(sections))
      || (this.belief.logEvidence > -Infinity ? "" : "these cannot hold together");
    if (this.problem) return;
    this.before = tree.believe(this.found.contexts,
      {codes: {}, soft: {}, numbers: {}, implied: this.evidence.implied});
    this.expected = expectedWords(tree, this.belief, app.data.form);
    this.conflict = conflictBits(tree, this.found.contexts, this.evidence);
    const gates = app.gatesOf(this.found.contexts);
    this.stops = gates.progress(factsOf(app.data, scales, this.belief, this), []).stops
      .map((name) => app.data.rules.stops[name]).filter(({quiet}) => !quiet);
  }

  /** What is supposed of faults, as evidence of their states. */
  confirmed({codes, soft}) {
    const {conditions, nodes} = this.app.data.tree, found = {codes: {...codes}, soft: {...soft}};
    for (const [name, word] of Object.entries(this.sections.confirmed || {})) {
      const {variable, states} = conditions[name], before = found.soft[variable];
      found.soft[variable] = nodes[variable].states.map((state, i) =>
        Number(states.includes(state) === (word === "present")) * (before ? before[i] : 1));
    }
    return found;
  }

  chance(name) { return name === SOUND ? this.belief.sound : this.belief.conditions[name]; }
  prior(name) { return name === SOUND ? this.before.sound : this.before.conditions[name]; }
}

const SOUND = "sound";

class Classroom {
  constructor(app, {name, start}, leave = null) {
    Object.assign(this, {app, name, leave, start: copied(start)});
    this.sections = copied(start);
    this.past = [];
    this.sorted = matchMedia(NARROW).matches;
    this.open = new Set(this.sorted ? OPEN_AT_FIRST : [...OPEN_AT_FIRST, "the car and its day"]);
    for (const [title, names] of this.groups())
      if (names.some((one) => this.known(one) !== undefined)) this.open.add(title);
    this.dials = new Dials(app.scales, app.tree);
    this.now = this.last = new Supposed(app, this.sections);
    this.shown = this.now.problem ? null : this.now;
    document.body.classList.add("class");
    this.listen = (event) => this.typed(event);
    addEventListener("keydown", this.listen);
    this.size(this.app.store.prefs.size ?? 2);
    this.draw();
  }

  end() {
    document.body.classList.remove("class");
    document.documentElement.style.fontSize = "";
    removeEventListener("keydown", this.listen);
    this.leave();
  }

  typed(event) {
    const field = ["SELECT", "INPUT"].includes(event.target.tagName);
    if (event.key === "u" && !field && !event.ctrlKey && !event.metaKey) this.undo();
  }

  /** Titles and names of what can be seen or told, in the order of the files. */
  groups() {
    const found = new Map([["complaint", []]]), {nodes} = this.app.data.form;
    for (const [name, {kind, group}] of Object.entries(nodes)) {
      const title = kind === "history" ? "what was done to it" : group;
      found.set(title, [...(found.get(title) || []), name]);
    }
    const told = found.get("what was done to it");
    found.delete("what was done to it");
    return [...found, ["what was done to it", told || []]].filter(([, names]) => names.length);
  }

  section(name) {
    return this.app.data.form.nodes[name].kind === "history" ? "history" : "findings";
  }

  known(name) {
    return this.sections.readings[name] ?? this.sections[this.section(name)][name];
  }

  /** Change something; a change that goes on, as by a slider, is one with the last. */
  change(edit, goesOn = false) {
    if (!goesOn) this.past.push(copied(this.sections));
    edit(this.sections);
    const now = new Supposed(this.app, this.sections);
    if (!now.problem && !this.held && !goesOn && this.shown) this.last = this.shown;
    this.now = now;
    if (!now.problem) this.shown = now;
    this.draw();
  }

  set(sections) {
    this.change(() => { this.sections = copied(sections); }, true);
  }

  undo() {
    if (!this.past.length) return;
    this.last = this.held ? this.last : this.shown;
    this.set(this.past.pop());
  }

  begin(sections) {
    this.past.push(copied(this.sections));
    this.last = this.held ? this.last : this.shown;
    this.set(sections);
  }

  size(step) {
    this.step = Math.min(TEXT_SIZES.length - 1, Math.max(0, step));
    document.documentElement.style.fontSize = `${TEXT_SIZES[this.step]}px`;
    this.app.store.prefs.size = this.step;
    this.app.store.savePrefs();
  }

  save() {
    const noted = {};
    for (const [section, held] of Object.entries(this.sections))
      for (const [name, value] of Object.entries(held)) noted[name] = {section, value, used: true};
    this.app.saveText(caseFile({name: this.name, noted, repairs: [], confirmed: Object.fromEntries(
      Object.entries(this.sections.confirmed))}, []), this.name);
  }

  // --- the screen ----------------------------------------------------------------------------------

  draw() {
    const focus = document.activeElement?.dataset.at;
    const fill = (id, nodes) =>
      document.getElementById(id).replaceChildren(...[nodes].flat(Infinity).filter(Boolean));
    fill("top", this.top());
    if (!this.sliding) {
      const {scrollTop = 0} = document.getElementById("told") || {};
      fill("main", [el("section", {id: "told", "aria-label": "What is known"}, this.car(),
        this.groups().map(([title, names]) => this.group(title, names))),
      el("section", {id: "chances", "aria-label": "How likely"}, this.chances())]);
      document.getElementById("told").scrollTop = scrollTop;
      if (focus) document.querySelector(`[data-at="${focus}"]`)?.focus({preventScroll: true});
    } else fill("chances", this.chances());
  }

  top() {
    const {app} = this, tool = (label, does, given = {}) => button(label, does,
      {"data-at": label, ...given});
    const {stops = []} = this.shown || {};
    return [
      el("div", {class: "bar"}, el("h1", {}, `What if: ${this.name}`)),
      el("nav", {class: "tools", "aria-label": "Tools"},
        tool("Undo", () => this.undo(), {disabled: !this.past.length, id: "undo"}),
        tool("Start again", () => this.begin(this.start)),
        tool("Clear", () => this.begin({...copied(EMPTY), vehicle: this.sections.vehicle,
          conditions: this.sections.conditions})),
        tool("Hold outlines", () => this.hold(), {"aria-pressed": String(Boolean(this.held))}),
        tool("Likeliest first", () => { this.sorted = !this.sorted; this.draw(); },
          {"aria-pressed": String(Boolean(this.sorted))}),
        tool("A−", () => this.size(this.step - 1), {"aria-label": "Smaller text"}),
        tool("A+", () => this.size(this.step + 1), {"aria-label": "Larger text"}),
        tool("Save as a case file", () => this.save(), {id: "save"}),
        this.leave ? tool("Back to the car", () => this.end(), {id: "back"}) : null),
      app.data.form.unsafe ? para("The knowledge in use breaks safety rules.", "card caution") : null,
      this.now.problem ? el("p", {role: "alert", class: "card caution", id: "problem"},
        `This cannot be: ${this.now.problem}`) : null,
      el("div", {role: "alert", id: "stops"}, stops.map((stop) => el("p", {class: "stop"},
        `Stop: ${stop.title}. `, el("span", {class: "why"},
          `${stop.reason} Lifted by ${stop.who}: ${stop.lifted}`)))),
    ];
  }

  hold() {
    this.held = !this.held;
    if (this.held) this.last = this.shown;
    this.draw();
  }

  /** What the car is, and its day. */
  car() {
    const {app} = this, {form, tree} = app.data;
    const contexts = Object.entries(app.scales.contexts_known).filter(([, {number}]) => !number);
    const choices = contexts.map(([name, {title, values}]) => {
      const section = app.section(name, "");
      const select = el("select", {"data-at": name, onchange: () => this.change((sections) => {
        if (select.value) sections[section][name] = select.value;
        else delete sections[section][name];
      })}, ["", ...values].map((value) => el("option", {value,
        selected: (this.sections[section][name] || "") === value}, spaced(value) || "not stated")));
      return el("label", {}, capital(title), select);
    });
    const sliders = SLIDERS.map(([name, unit, low, high]) => this.slider({at: name,
      title: app.title(name), low, high, step: 1, unit,
      value: this.sections.conditions[name],
      put: (sections, text) => { sections.conditions[name] = text; }}));
    const title = "the car and its day", open = this.open.has(title);
    return this.folded(title, "", open && el("div", {class: "car"}, choices, sliders));
  }

  /** A number by a slider, or by two buttons for whoever does not drag. */
  slider({at, title, low, high, step, unit, value, put, sound, forget}) {
    const decimals = step === 1 ? 0 : -Math.floor(Math.log10(step));
    const shown = el("output", {}, value === undefined ? (sound === undefined ? "not stated"
      : `sound: ${sound} ${unitText(unit)}`) : valueText(value));
    const place = value === undefined ? sound ?? (low + high) / 2 : parseFloat(value);
    const input = el("input", {type: "range", min: low, max: high, step: "any", "aria-label": title,
      "data-at": at, value: place});
    const putAt = (number, goesOn) => {
      const text = `${Math.min(high, Math.max(low, number)).toFixed(decimals)} ${unit}`;
      shown.textContent = valueText(text);
      this.change((sections) => put(sections, text), goesOn);
    };
    input.addEventListener("input", () => {
      const goesOn = this.sliding === at;
      this.sliding = at;
      putAt(Number(input.value), goesOn);
    });
    input.addEventListener("change", () => { this.sliding = null; this.draw(); });
    const by = (way) => button(way < 0 ? "−" : "+", () => putAt(place + way * step, false),
      {"data-at": `${at}${way}`, "aria-label": `${title}: ${way < 0 ? "less" : "more"}`,
        class: "step"});
    const mark = sound === undefined ? null : el("span", {class: "mark"});
    if (mark) mark.style.left = `${100 * (sound - low) / (high - low)}%`;
    return el("div", {class: `dial${value === undefined ? " unread" : ""}`},
      el("span", {class: "name"}, title), shown,
      el("div", {class: "reach"}, by(-1), el("span", {class: "track"}, mark, input), by(1),
        forget && value !== undefined ? button("×", forget, {"data-at": `${at}x`,
          "aria-label": `forget ${title}`, class: "step"}) : null));
  }

  group(title, names) {
    const seen = names.filter((name) => this.known(name) !== undefined).length;
    return this.folded(title, seen ? ` ${seen} of ${names.length}` : "",
      this.open.has(title) && names.map((name) => this.row(name)));
  }

  folded(title, count, content) {
    const details = el("details", {open: Boolean(content)}, el("summary",
      {"data-at": `group ${title}`}, capital(title), el("span", {class: "count"}, count)),
    content || null);
    details.addEventListener("toggle", () => {
      if (details.open === this.open.has(title)) return;
      if (details.open) this.open.add(title);
      else this.open.delete(title);
      this.draw();
    });
    return details;
  }

  row(name) {
    return this.app.scales.gauges[name] ? this.dialRow(name) : this.wordRow(name);
  }

  wordRow(name) {
    const {app} = this, section = this.section(name), now = this.known(name);
    const expected = now === undefined && this.shown && this.shown.expected[name];
    const answers = app.scales.states(name).map((state, i) => {
      const share = expected ? expected[i] : 0;
      const made = button(capital(spaced(state)), () => this.change((sections) => {
        if (sections[section][name] === state) delete sections[section][name];
        else sections[section][name] = state;
      }), {"aria-pressed": String(now === state), "data-at": `${name} ${state}`,
        "aria-label": `${app.title(name)}: ${spaced(state)}`,
        title: expected ? `expected now: ${percent(share)}` : null});
      made.style.setProperty("--likely", `${(100 * share).toFixed(1)}%`);
      return made;
    });
    return el("div", {class: `node${now === undefined ? "" : " seen"}`},
      el("span", {class: "name", title: app.about(name)}, app.title(name)),
      el("div", {class: "words"}, answers),
      now !== undefined && typeof now !== "string" ? para(valueText(now), "small") : null);
  }

  dialRow(name) {
    const {app} = this, {dimension} = app.scales.readings[name];
    const unit = app.unit({name, dimension}), dial = this.dials.of(this.sections, name, unit);
    const forget = () => this.change((sections) => {
      delete sections.readings[name];
      delete sections.findings[name];
    });
    if (!dial) return el("div", {class: "node"}, el("span", {class: "name"}, app.title(name)),
      para("state the car first", "small soft"));
    const read = this.sections.readings[name], word = this.sections.findings[name];
    const decimals = app.scales.units[dimension][spelt(unit)][4];
    return el("div", {class: `node${this.known(name) === undefined ? "" : " seen"}`},
      this.slider({at: name, title: app.title(name), ...dial, step: 10 ** -decimals, forget,
        value: read ?? word, put: (sections, text) => {
          delete sections.findings[name];
          sections.readings[name] = text;
        }}));
  }

  /** Suppose that something is there, then that it is not, then nothing. */
  suppose(name) {
    const {conditions} = this.app.data.tree;
    this.change(({confirmed}) => {
      const next = {undefined: "present", present: "absent"}[confirmed[name]];
      if (next === "present") // two degrees of one thing cannot both be there
        for (const other of Object.keys(confirmed))
          if (conditions[other].variable === conditions[name].variable) delete confirmed[other];
      if (next) confirmed[name] = next;
      else delete confirmed[name];
    });
  }

  chances() {
    const {shown, last} = this, {conditions} = this.app.data.tree;
    if (!shown) return para("This car cannot be shown.");
    const names = [SOUND, ...Object.keys(conditions)];
    if (this.sorted) names.sort((a, b) => shown.chance(b) - shown.chance(a));
    const notes = this.app.remarks(this.sections).all().map((text) => `${this.app.plain(text)}.`);
    if (shown.conflict > 2) notes.push("The findings support each other less than chance would "
      + `(${shown.conflict.toFixed(1)} bits): a misreading, or a rare car.`);
    return [
      el("p", {class: "small legend"}, el("span", {class: "key now"}), " now ",
        el("span", {class: "key outline"}), this.held ? " when held " : " before the last change ",
        el("span", {class: "key prior"}), " before looking"),
      el("div", {class: `rows${this.all ? " all" : ""}`}, names.map((name) =>
        this.chanceRow(name, shown, last || shown))),
      button(this.all ? "Only the likeliest" : "All of them", () => {
        this.all = !this.all;
        this.sorted = this.sorted || !this.all;
        this.draw();
      }, {class: "wide more", "data-at": "all", "aria-expanded": String(Boolean(this.all))}),
      notes.map((text) => para(text, "small")),
      para("Tap a name to suppose that it is there, again that it is not. The shade of an answer "
        + "not given is how likely it is now. A fault is never proved by a look.", "small soft"),
    ];
  }

  chanceRow(name, shown, last) {
    const now = shown.chance(name), prior = shown.prior(name), before = last.chance(name);
    const supposed = this.sections.confirmed[name];
    const title = name === SOUND ? "Nothing wrong" : capital(this.app.title(name));
    const bar = el("span", {class: "track"}, el("i"), el("b"), el("u"));
    const [fill, mark, outline] = bar.children;
    fill.style.width = `${100 * now}%`;
    mark.style.left = `${100 * prior}%`;
    outline.style.width = `${100 * before}%`;
    outline.hidden = Math.abs(before - now) < 0.005;
    const points = Math.round(100 * now) - Math.round(100 * before);
    const faint = !supposed && now < 0.05 && prior < 0.05;
    const words = [{present: "Suppose: ", absent: "Suppose not: "}[supposed] || "", title];
    return button([el("span", {class: "name"}, words),
      el("span", {class: "moved"}, points ? Screens.moved(points / 100) : ""),
      el("strong", {class: "value"}, percent(now)), bar], () => this.suppose(name),
    {class: `odds${supposed ? ` ${supposed}` : faint ? " faint" : ""}`, "data-condition": name,
      disabled: name === SOUND, "data-at": `suppose ${name}`});
  }
}
