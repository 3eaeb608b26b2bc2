"use strict";
// What stands on the screen: one thing at a time. Every function gives nodes for the app to show.

const Screens = {
  BEYOND: "This repair, with what was seen before it, is more than this page can follow by itself: "
    + "how likely what is now comes from the workshop's computer. What was known before it is kept, "
    + "and what was shut stays shut.",

  /** Cases of this device and of the book, and a new one. */
  cases(app) {
    const {store} = app;
    if (store.unpaired || store.keyless) return Screens.pairing(app);
    const here = store.keys().map((key) => {
      const known = store.cases.get(key), state = replayed(store.events(key));
      return {key, name: state.name, closed: state.closed, number: known && known.case,
        day: state.agreed.back_by};
    });
    const numbers = new Set(here.map(({number}) => number));
    const others = store.listed.filter((one) => !numbers.has(one.case));
    const line = (one, does) => el("li", {}, button(
      [el("strong", {}, one.name || "no name"), one.number ? ` · case ${one.number}` : "",
        one.closed ? " · closed" : "", one.day ? ` · back by ${dayText(one.day)}` : ""], does));
    return [
      heading("Which car?"),
      button("A new car", () => app.show({sheet: "name"}), {class: "go wide", id: "new"}),
      here.length ? el("h2", {}, "On this device") : null,
      el("ul", {class: "list"}, here.reverse().map((one) => line(one, () => app.open(one.key)))),
      others.length ? el("h2", {}, "In the case book") : null,
      el("ul", {class: "list"}, others.map((one) => line({...one, number: one.case},
        () => app.openNumber(one.case)))),
      Screens.fileInput("Take in a case file of another device", ".toml,text/*", (file) =>
        app.takeIn(file)),
      app.ui.problem ? el("p", {role: "alert", class: "card caution"}, app.ui.problem) : null,
      Screens.turnedAway(app, (one) => !store.keys().includes(one.case)),
      app.data.form.unsafe ? para("The knowledge in use breaks safety rules.", "card caution") : null,
      para("Cases and prices that ship are invented. What local law and licensed practice ask for "
        + "comes first.", "small soft"),
    ];
  },

  broken: (app, error) => [
    heading("This case cannot be shown"), para(String(error.message), "card caution"),
    para("Everything entered is kept."),
    button("Another car", () => app.leave(), {class: "go wide"}),
  ],

  pairing(app) {
    const input = el("input", {type: "text", id: "word", autocomplete: "off",
      autocapitalize: "none", value: location.hash.slice(1)});
    return [
      heading("Pair this device"),
      para("The computer that serves this page shows a word. It is good for one device."),
      el("label", {for: "word"}, "The word"), input,
      button("Pair", () => app.pair(input.value), {class: "go wide"}),
      app.ui.problem ? el("p", {role: "alert", class: "card caution"}, app.ui.problem) : null,
    ];
  },

  name(app) {
    const input = el("input", {type: "text", id: "plate", autocomplete: "off", maxlength: "60",
      autocapitalize: "characters"});
    return [
      heading("Plate or name of the car?"), el("label", {for: "plate", class: "unseen"},
        "Plate or name"), input,
      button("Go on", () => app.begin(input.value.trim()), {class: "go wide", id: "begin"}),
      button("Back", () => app.show({sheet: null}), {class: "wide"}),
    ];
  },

  fileInput(label, accept, does, capture) {
    const input = el("input", {type: "file", accept, capture, "aria-label": label,
      onchange: () => input.files[0] && does(input.files[0])});
    return el("div", {class: "row"}, el("span", {class: "file"}, label, input));
  },

  /** Stops, then what is likely in three lines; each opens what stands behind it. */
  top(app, car) {
    const status = app.syncText();
    const bar = el("div", {class: "bar"}, el("strong", {}, car ? car.state.name || "no name"
      : "At the car"), car ? button(status, () => app.show({sheet: "recorded"}),
      {"aria-label": `${status}; show what is recorded`}) : el("span", {class: "small"}, status));
    const other = app.store.otherKnowledge(app.data.form.digest) ? button(
      "The knowledge has changed: load the page again", () => location.reload(), {class: "stop"})
      : null;
    if (!car || car.state.closed) return [bar, other];
    const stops = car.stops();
    return [
      bar, other,
      stops.map((stop) => button(`Stop: ${stop.title}`, () => app.show({sheet: "stops"}),
        {class: "stop"})),
      Screens.leading(app, car),
    ];
  },

  leading(app, car) {
    const ranking = car.ranking();
    const open = () => app.show({sheet: "conditions"});
    if (!car.possible)
      return button("These entries cannot hold together: take one back", () =>
        app.show({sheet: "recorded"}), {class: "stop"});
    if (!ranking)
      return button(app.store.online ? "After a repair: being worked out …"
        : "This repair is more than this page can follow: see what that means", open,
        {class: "lead"});
    return el("button", {type: "button", class: "lead", id: "leading", onclick: open},
      ranking.slice(0, 3).map((one) => el("span", {class: "line"},
        el("span", {class: "name"}, one.title),
        el("span", {class: "chance"}, percent(one.chance), Screens.range(one)),
        el("span", {class: "moved"}, Screens.moved(one.moved)))));
  },

  range: ({low, high}) => (low === undefined || low === null ? ""
    : el("span", {class: "small"}, ` (${Math.round(100 * low)}–${Math.round(100 * high)})`)),

  moved(change) {
    const points = Math.round(change * 100);
    if (!points) return "=";
    return points > 0 ? `▲ +${points}` : `▼ −${-points}`;
  },

  foot(app, car) {
    if (!car || car.state.closed) return [];
    return [
      button("Undo", () => app.undo(car), {id: "undo",
        disabled: !app.ui.trail.length && !car.state.steps.length}),
      button("Plan", () => app.openPlan(), {id: "plan"}),
      button("More", () => app.show({sheet: "more"}), {id: "more"}),
    ];
  },

  KINDS: {opened: "the new case", withdrawn: "an entry taken back", undone: "an undo",
    plan_chosen: "what was decided", repaired: "the repair", closed: "the closing"},

  /** Entries and photos that the book did not take: why, and what can be done about each. */
  turnedAway(app, chosen) {
    const {entries, photos} = app.store.turnedAway(), {store} = app;
    const card = (what, {problem}, ...does) => el("div", {class: "card caution", role: "alert"},
      para(`Not taken over: ${what}`), para(capital(problem), "small"), does);
    const wide = (label, does) => button(label, does, {class: "wide"});
    return [
      entries.filter(chosen).map((entry) => card([Screens.KINDS[entry.kind] || app.title(entry.name),
        entry.kind === "opened" ? entry.name : entry.value && valueText(entry.value)]
        .filter(Boolean).join(": "), entry,
      entry.kind === "closed" ? wide("Close all the same", () => app.closeAllTheSame(entry)) : null,
      entry.kind === "recorded" && entry.case === app.key ? wide("Answer it again", () => {
        store.drop(entry);
        app.askAgain(entry.name);
      }) : null,
      wide("Send it again", () => store.sendAgain(entry)),
      wide("Put it aside", () => store.drop(entry)))),
      photos.filter(chosen).map((photo) => card(`the photo, ${app.title(photo.about)}`, photo,
        para("Take it again with the camera, or choose another picture (JPEG or PNG). "
          + "This one stays on this device until it is put aside.", "small"),
        // what is no picture here is none there
        store.settings.server && photo.opens
          && wide("Send it again", () => store.sendAgain(photo)),
        wide("Save it as a file", () => app.savePhoto(photo)),
        wide("Put it aside", () => store.dropPhoto(photo)))),
    ];
  },

  /** What needs a person: what was turned away, two values for one thing. */
  troubles(app, car) {
    return [
      Screens.turnedAway(app, (one) => one.case === car.key),
      car.odd.map((text) => el("p", {class: "card caution", role: "status"},
        `${app.plain(text)}.`)),
      Object.entries(car.state.unsettled).map(([name, values]) =>
        el("div", {class: "card caution", role: "alert"},
          para(`${app.title(name)}: two entries that did not know of each other. Which holds?`),
          el("div", {class: "answers"}, values.map(({value, time}) => button(
            `${valueText(value)} · ${clock(time)}`, () => app.settle(car, name, value)))))),
    ];
  },

  /** One question, whatever it is about. */
  question(app, car, name, {from, skip, skipLabel}) {
    const about = app.about(name), {ui} = app;
    const alternatives = app.alternatives(name);
    const asked = alternatives[ui.alternative % alternatives.length];
    const others = alternatives.length > 1 ? button(asked.other, () =>
      app.show({alternative: ui.alternative + 1, draft: {text: ""}}), {class: "wide"}) : null;
    const head = [from ? para(from, "soft small") : null, heading(asked.question),
      about ? para(about, "small soft") : null];
    const cannot = button(skipLabel, app.once(skip), {class: "wide", id: "cannot"});
    if (asked.dimension) return [head, Screens.number(app, car, asked), others, cannot];
    return [head, asked.sure ? Screens.sureness(app) : null,
      el("div", {class: `answers${asked.states.length > 4 ? " many" : ""}`},
        asked.states.map((state) => button(capital(app.word(state)), app.once(() =>
          app.answer(car, asked, state)), {"data-state": state}))),
      others, cannot];
  },

  sureness(app) {
    return el("div", {class: "row", role: "group", "aria-label": "How sure are you?"},
      app.data.form.sure.map(({title}, level) => button(capital(title), () =>
        app.show({sure: level}), {"aria-pressed": String(app.ui.sure === level),
        "data-sure": level})));
  },

  number(app, car, asked) {
    const {draft} = app.ui, units = app.units(asked);
    const chosen = app.unit(asked);
    const shown = el("output", {class: "shown", "aria-live": "polite"}, draft.text || "–",
      el("span", {class: "unit"}, unitText(chosen)));
    return [
      shown,
      units.length > 1 ? el("div", {class: "row", role: "group", "aria-label": "Unit"},
        units.map((unit) => button(unitText(unit), () => app.chooseUnit(asked, unit),
          {"aria-pressed": String(unit === chosen)}))) : null,
      app.ui.problem ? el("p", {role: "alert", class: "card caution"}, app.ui.problem) : null,
      keypad(draft, () => app.show({problem: ""}), () => app.answerNumber(car, asked)),
    ];
  },

  /** The next test, with its minutes and why it is next. */
  next(app, car) {
    const next = app.suggestion(car);
    if (!next) return [heading("What next?"), para(!car.itself && !app.store.online
      ? "The next step comes from the workshop's computer here. Choose a test by hand, or close the case."
      : "Working it out …"), Screens.other(app), Screens.closing(app, car)];
    if (next.stop) return [heading("No further test pays"),
      para("What is known is enough to decide what to do."),
      button("Plan the repair", () => app.openPlan(), {class: "go wide", id: "toplan"}),
      Screens.other(app), Screens.closing(app, car)];
    return Screens.steps(app, car, next.test, next.why
      + (next.at ? ` · worked out ${clock(next.at)}` : " · worked out here"));
  },

  other: (app) => button("Another test", () => app.show({sheet: "tests"}), {class: "wide"}),
  closing: (app, car) => (car.repaired ? button("Close the case", () =>
    app.show({sheet: "close"}), {class: "wide", id: "toclose"}) : null),

  /** How a test is done: cautions at that place, steps, timers where waiting is part of it. */
  steps(app, car, name, why) {
    const test = app.data.rules.tests[name], steps = app.data.form.steps[name];
    const {set_ups: known} = app.data.rules;
    const due = car.gates.due(name, car.progress.standing);
    const stands = (test.set_up || []).filter((one) => !due.includes(one) && !known[one].at_start)
      .map((one) => known[one].title.toLowerCase());
    const waited = due.filter((one) => known[one].takes !== "work");
    const named = (steps || []).map((step) => step.set_up);
    const wait = (one) => `${minutesText(known[one].minutes)} of it ${known[one].words}`;
    const cautions = car.cautions(name);
    const full = cautions.filter(({always}) => !always);
    const always = cautions.filter(({always: words}) => words).map(({always: words}) => words);
    const engine = test.engine === "any" ? "" : ` · engine ${test.engine}`;
    return [
      para([`${why ? "Next test" : "Test"} · ${minutesText(car.minutes(name))}${engine}`,
        ...due.map(wait)].join(" · "), "soft small"),
      stands.length ? para(`Taken to stand, as entered: ${stands.join(", ")}`, "soft small") : null,
      heading(test.title),
      why ? para(capital(why), "small") : null,
      steps ? null : para(test.about),
      cautions.length ? el("div", {class: "card caution"}, el("ul", {}, full.map(({text}) =>
        el("li", {}, text)), always.length ? el("li", {}, `Always: ${always.join("; ")}`) : null))
        : null,
      ...waited.filter((one) => !named.includes(one)).map((one) =>
        Screens.timer(app, `${name}:${one}`, known[one].minutes, capital(known[one].words))),
      steps ? el("ol", {class: "steps"}, steps.map((step, i) => {
        const minutes = waited.includes(step.set_up) ? known[step.set_up].minutes : step.minutes;
        return el("li", {}, step.say, step.look ? para(step.look, "small soft") : null,
          minutes ? Screens.timer(app, `${name}:${i}`, minutes) : null);
      })) : null,
      button("What does it show?", () => app.startTest(name, true), {class: "go wide",
        id: "ready"}),
      Screens.other(app),
      Screens.photo(app, car, name),
      Screens.closing(app, car),
    ];
  },

  timer(app, key, minutes, label = "") {
    const end = app.ui.timers[key];
    const text = () => (end ? span((end - Date.now()) / 1000) : span(minutes * 60));
    const shown = button(end ? `${text()} left` : `Start the timer: ${text()}`, () =>
      app.startTimer(key, minutes), {class: "timer", "data-timer": key});
    return el("div", {}, label ? para(label, "small") : null, shown);
  },

  photo(app, car, about) {
    return Screens.fileInput("Photo", "image/*", (file) => app.takePhoto(car, about, file),
      "environment");
  },

  closed(app, car) {
    return [heading("This case is closed"),
      el("ul", {class: "list"}, Object.entries(car.state.confirmed).map(([name, word]) =>
        el("li", {}, `${app.title(name)}: ${OUTCOMES[word] || spaced(word)}`))),
      button("Open it again", () => app.undo(car), {class: "wide"}),
      Screens.exporting(app, car),
      button("Another car", () => app.leave(), {class: "go wide"})];
  },

  exporting: (app, car) => button("Save as a case file", () => app.save(car), {class: "wide",
    id: "save"}),
};
