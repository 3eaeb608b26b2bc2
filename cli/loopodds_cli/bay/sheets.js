"use strict";
// What one tap opens over the question: conditions, stops, records, plan, closing.

// what a photo was taken of that may show a glass before the card
const PHOTOS_READ = ["sample", "capture_sample", "sample_darkening", "sample_greenness"];
const back = (app) => button("Back", () => app.show({sheet: null}), {class: "wide", id: "back"});

const BACK_IN = [["In 2 weeks", 14], ["In a month", 30], ["In 3 months", 91], ["In half a year", 182]];

const OUTCOMES = {present: "It was so", absent: "It was not", "": "Not known"};

const Sheets = {
  conditions(app, car) {
    const ranking = car.ranking();
    if (!ranking) return [heading("How likely"), para(Screens.BEYOND), back(app)];
    const line = (title, one) => {
      const fill = el("i"), track = el("span", {class: "track"}, fill);
      fill.style.width = `${100 * one.chance}%`;
      if (one.low !== undefined && one.low !== null) {
        const range = el("b");
        range.style.left = `${100 * one.low}%`;
        range.style.width = `${Math.max(0.5, 100 * (one.high - one.low))}%`;
        track.append(range);
      }
      return el("li", {}, el("span", {}, title), el("strong", {}, percent(one.chance),
        Screens.range(one)), track);
    };
    return [
      heading("How likely"),
      para(car.advice ? `In brackets where it could lie; worked out ${clock(car.advice.at)}.`
        : "The range of each comes with the workshop's computer.", "small soft"),
      el("ul", {class: "list chances"}, line("Nothing is wrong", {chance: car.sound()}),
        ranking.map((one) => line(one.title, one))),
      back(app),
    ];
  },

  stops(app, car) {
    return [heading("What must not be done"), car.stops().map((stop) => el("div", {class: "card"},
      el("h2", {}, stop.title), para(stop.reason),
      para(`Lifted by: ${stop.lifted_by} (${stop.who})`),
      stop.settled.map((test) => button(`Do: ${app.data.rules.tests[test].title}`, () =>
        app.startTest(test), {class: "wide"})))), back(app)];
  },

  tests(app, car) {
    const {tests} = app.data.rules;
    const names = Object.keys(tests).filter((name) =>
      !car.progress.done.includes(name) || car.progress.begun.has(name));
    const way = (name) => car.gates.way(name, car.progress);
    const open = names.filter((name) => (way(name).steps || []).length === 1);
    const first = names.filter((name) => (way(name).steps || []).length > 1);
    const shut = names.filter((name) => !way(name).steps);
    return [
      heading("Which test?"),
      el("ul", {class: "list"}, open.map((name) => el("li", {}, button(
        `${tests[name].title} · ${minutesText(car.minutes(name))}`, () => app.startTest(name),
        {"data-test": name})))),
      first.length ? el("h2", {}, "After something else") : null,
      el("ul", {class: "list"}, first.map((name) => el("li", {}, `${tests[name].title}: first `,
        way(name).steps.slice(0, -1).map(({test}) => tests[test].title).join(", ")))),
      shut.length ? el("h2", {}, "Not on this car now") : null,
      el("ul", {class: "list"}, shut.map((name) => el("li", {},
        `${tests[name].title}: ${way(name).why}`))),
      back(app),
    ];
  },

  recorded(app, car) {
    const photos = (car.record ? car.record.photos : []);
    const waiting = app.store.photos.filter((photo) => photo.case === car.key);
    return [
      heading("What is recorded"),
      para(app.syncText(true), "small"),
      Screens.troubles(app, car),
      car.remarks().map((text) => para(`${app.plain(text)}.`, "card")),
      el("ul", {class: "list"}, Object.entries(car.state.noted).map(([name, seen]) => el("li", {},
        el("div", {}, `${app.title(name)}: `, el("strong", {}, valueText(seen.value)),
          seen.used ? "" : " (doubted, not used)", ` · ${clock(seen.time)}`,
          seen.ofPhoto ? ` · from the photo${seen.saw ? `; seen: ${valueText(seen.saw)}` : ""}` : ""),
        el("div", {class: "row"}, button("Ask again", () => app.askAgain(name)),
          button("Take back", () => app.withdraw(car, name)))))),
      photos.length || waiting.length ? el("h2", {}, "Photos") : null,
      el("div", {class: "photos"}, photos.map((name) => Sheets.picture(app, car, name)),
        waiting.map((photo) => el("div", {}, el("img", {src: URL.createObjectURL(photo.blob),
          alt: `${app.title(photo.about)}, not sent yet`}), button("Save it as a file", () =>
          app.savePhoto(photo), {class: "wide"})))),
      back(app),
    ];
  },

  picture(app, car, name) {
    const shown = el("img", {alt: `Photo: ${app.title(name.split("-")[0])}`});
    app.store.ask(`case/${car.record.case}/photos/${name}`).then((answer) => answer.blob())
      .then((blob) => { shown.src = URL.createObjectURL(blob); }).catch(() => {});
    return el("div", {}, shown, PHOTOS_READ.includes(name.split("-")[0]) ? button("Read its colour",
      () => app.beginReading(name), {class: "wide", "data-read": name}) : null);
  },

  /** The colour of a sample read from a photo by the server, and one tap to enter it. */
  reading(app, car) {
    const {reading, draft, problem} = app.ui;
    const trouble = problem ? para(problem, "card caution") : null;
    if (!reading) return [heading("Inner diameter of the glass, in mm"), trouble,
      el("output", {class: "typed", id: "path"}, draft.text || "?"),
      keypad(draft, () => app.draw(), () => app.readPhoto(car)), back(app)];
    const {measured, refusals, likelihoods, marked} = reading;
    const found = measured ? [
      para(measured.darker ? "Darker than the oil scale goes (8)"
        : `${measured.scale.toFixed(1)} on the oil scale, ${measured.low.toFixed(1)} to `
        + `${measured.high > 8 ? "darker than 8" : measured.high.toFixed(1)} in nine of ten`),
      measured.greenness_seen ? null : para("Green cannot be seen here."),
      Object.entries(likelihoods).map(([name, words]) => el("div", {}, el("h2", {},
        app.title(name)), el("ul", {class: "list"}, Object.entries(words).map(([word, weight]) =>
        el("li", {}, `${spaced(word)}: `, percent(weight / Object.values(words)
          .reduce((sum, one) => sum + one, 0))))))),
      button("Enter this", () => app.acceptPhoto(car), {class: "go wide", id: "accept"}),
    ] : [para("This photo is no evidence."), el("ul", {class: "list"}, refusals.map((one) =>
      el("li", {}, el("strong", {}, capital(one.problem)), `: ${one.remedy}`)))];
    return [heading("The photo, read"), trouble, found,
      para("Nothing here is validated on real samples.", "small"),
      marked ? el("img", {class: "marked", alt: "What was measured where",
        src: `data:image/png;base64,${marked}`}) : null,
      button("Another diameter", () => app.show({reading: null, problem: ""}), {class: "wide"}),
      back(app)];
  },

  /** What may be told of car and day besides the questions that are asked of everybody. */
  facts(app, car) {
    const names = Object.values(app.scales.sections).flat();
    return [
      heading("More about the car"),
      el("ul", {class: "list"}, names.filter((name) => !car.state.noted[name]).map((name) =>
        el("li", {}, button(app.title(name), () => app.askAgain(name), {"data-fact": name})))),
      back(app),
    ];
  },

  more(app, car) {
    return [
      heading(car.state.name || "no name"),
      button("What is recorded", () => app.show({sheet: "recorded"}), {class: "wide"}),
      button("How likely everything is", () => app.show({sheet: "conditions"}), {class: "wide"}),
      button("Another test", () => app.show({sheet: "tests"}), {class: "wide"}),
      button("More about the car", () => app.show({sheet: "facts"}), {class: "wide"}),
      button("Close the case", () => app.show({sheet: "close"}), {class: "wide"}),
      button("What if: try out, nothing is recorded", () => app.whatIfOf(car), {class: "wide",
        id: "whatif"}),
      Screens.exporting(app, car),
      button("Another car", () => app.leave(), {class: "wide"}),
      back(app),
    ];
  },

  /** What may be done to the car, as the server worked it out. */
  plan(app, car) {
    const told = car.worked("offers"), {problem} = (car.record && car.record.offers) || {};
    return [
      heading("Plan"),
      problem && !told ? el("p", {class: "card caution", role: "alert"}, capital(problem)) : null,
      told ? para(`Worked out ${clock(told.at)}; prices and minutes are the workshop's.`,
        "small soft")
        : problem ? null : para(app.store.online ? "Working it out …" : "What a plan costs and saves comes with the "
          + "workshop's computer. Services can be chosen by hand.", "card"),
      (told ? told.held_back : []).map((rule) => el("div", {class: "card caution"},
        para(rule.title), para(rule.reason))),
      (told ? told.offers : []).map((offer, i) => Sheets.offer(app, car, offer, i, told.currency)),
      button("Choose services by hand", () => app.show({sheet: "services"}), {class: "wide",
        id: "byhand"}),
      back(app),
    ];
  },

  offer(app, car, offer, i, currency) {
    const {services, tests} = app.data.rules;
    const kinds = {least: "the least that cures it", best: "least cost on average",
      thorough: "most thorough"};
    const gone = offer.complaint_gone;
    return el("div", {class: "card"},
      el("h2", {}, capital(offer.kinds.map((kind) => kinds[kind]).join(" and "))),
      offer.services.length ? el("ol", {}, offer.services.map((name) =>
        el("li", {}, services[name].title))) : para("Leave the car as it is"),
      offer.first.length ? para(`Before it: ${offer.first.map((name) =>
        tests[name].title).join(", ")}`, "small") : null,
      para(`${money(offer.outlay, currency)} · ${minutesText(offer.minutes)}`
        + (gone ? ` · complaint gone: ${percent(gone.probability)}` : "")),
      offer.leaves.map((left) => para(`Leaves ${app.title(left.condition)}: ${left.because}`,
        "small")),
      button("Decide on this", () => app.decide(car, offer.services), {class: "go wide",
        "data-offer": i}));
  },

  services(app, car) {
    const {services} = app.data.rules, chosen = app.ui.chosen;
    const toggle = (name) => () => app.show({chosen: chosen.includes(name)
      ? chosen.filter((one) => one !== name) : [...chosen, name]});
    return [
      heading("Services"),
      el("ul", {class: "list"}, Object.entries(services).map(([name, service]) => {
        const why = car.whyNot(name);
        return el("li", {}, why ? [service.title, para(capital(why), "small soft")]
          : button(service.title, toggle(name), {"aria-pressed": String(chosen.includes(name)),
            "data-service": name}));
      })),
      button("Decide on these", () => app.decide(car, chosen), {class: "go wide",
        disabled: !chosen.length, id: "decide"}),
      back(app),
    ];
  },

  /** What was decided: its cautions, and that it was done. */
  decided(app, car) {
    const {services} = app.data.rules;
    const plan = car.state.plan.filter((name) => name in services);
    const cautions = new Set(plan.flatMap((name) => car.cautions(name).map(({text}) => text)));
    return [
      para("Decided", "soft small"),
      heading(plan.length ? "Do this, in this order" : "Leave the car as it is"),
      cautions.size ? el("details", {class: "card caution"}, el("summary", {}, "Beware"),
        el("ul", {}, [...cautions].map((text) => el("li", {}, text)))) : null,
      Sheets.firstDone(app, car, plan),
      el("ol", {class: "steps"}, plan.map((name) => el("li", {}, el("strong", {},
        services[name].title), para(services[name].about, "small"),
      para(minutesText(services[name].minutes), "small soft")))),
      Sheets.agreement(app, car),
      plan.length ? button("All of it is done", () => app.repaired(car, plan), {class: "go wide",
        id: "repaired"}) : null,
      button("Close the case", () => app.show({sheet: "close"}), {class: "wide", id: "toclose"}),
      button("Decide otherwise", () => app.openPlan(), {class: "wide"}),
    ];
  },

  /** What was agreed with the customer beside the services, and the way to say more. */
  agreement(app, car) {
    const {refused = {}, back_by: day, watch} = car.state.agreed, {services} = app.data.rules;
    const told = [
      ...Object.entries(refused).map(([name, why]) =>
        `Refused: ${services[name]?.title || spaced(name)}${why ? ` (${why})` : ""}`),
      day && `Comes back by ${dayText(day)}`, watch && `To watch for: ${watch}`].filter(Boolean);
    return [
      told.length ? el("div", {class: "card", id: "agreed"}, told.map((text) => para(text))) : null,
      button(told.length ? "Change what was agreed" : "Refused, or comes back later", () =>
        app.show({sheet: "agree", agreed: {...car.state.agreed}}), {class: "wide", id: "agree"}),
    ];
  },

  /** Services that the customer does not want, and the day on which the car comes back. */
  agree(app, car) {
    const {services} = app.data.rules, {refused = {}, back_by: day = "", watch = ""} = app.ui.agreed
      || car.state.agreed;
    const plan = car.state.plan || [], told = car.worked("offers") || {offers: []};
    const offered = [...new Set([...Object.keys(refused), ...told.offers.flatMap((one) =>
      one.services)])].filter((name) => !plan.includes(name) && services[name]);
    const names = offered.length && !app.ui.every ? offered : Object.keys(services)
      .filter((name) => !plan.includes(name) && (name in refused || !car.whyNot(name)));
    const without = (name) => Object.fromEntries(Object.entries(refused)
      .filter(([one]) => one !== name));
    const text = (id, label, value, changed, type = "text") => {
      const input = el("input", {type, id, value, maxlength: "200", autocomplete: "off",
        oninput: () => changed(input.value)});
      return [el("label", {for: id}, label), input];
    };
    // What is typed is kept at once and draws nothing, so that the keyboard stays.
    const keep = (change) => Object.assign(app.ui.agreed ||= {...car.state.agreed}, change);
    return [
      heading("Agreed with the customer"),
      el("h2", {}, "Comes back"),
      el("div", {class: "row pairs"}, BACK_IN.map(([label, days]) => button(label, () =>
        app.agree({back_by: dayIn(days)}), {"aria-pressed": String(day === dayIn(days)),
        "data-back": days})), button("Not agreed", () => app.agree({back_by: ""}),
        {"aria-pressed": String(!day)})),
      text("day", "On the day", day, (value) => keep({back_by: value}), "date"),
      text("watch", "To watch for until then", watch, (value) => keep({watch: value})),
      el("h2", {}, "Refused"),
      el("ul", {class: "list"}, names.map((name) => el("li", {}, button(services[name].title, () =>
        app.agree({refused: name in refused ? without(name) : {...refused, [name]: ""}}),
      {"aria-pressed": String(name in refused), "data-refused": name}),
      name in refused ? text(`why-${name}`, "Why?", refused[name], (value) =>
        keep({refused: {...app.ui.agreed.refused, [name]: value.trim()}})) : null))),
      offered.length && !app.ui.every ? button("Another service", () => app.show({every: true}),
        {class: "wide"}) : null,
      button("Keep this", () => {
        const {refused: not = {}, back_by = "", watch: at = ""} = app.ui.agreed || {};
        app.decide(car, plan, {refused: not, back_by, watch: at.trim()});
      }, {class: "go wide", id: "keep"}),
      back(app),
    ];
  },

  /** Tests that come before the services decided on: nothing is begun past them. */
  firstDone(app, car, plan) {
    const first = car.first(plan), {tests} = app.data.rules;
    if (!first.length) return null;
    return el("div", {class: "card caution"}, para("Before it:"),
      first.map((name) => (car.gates.way(name, car.progress).steps || []).length === 1
        ? button(`${tests[name].title} · ${minutesText(car.minutes(name))}`, () =>
          app.startTest(name), {class: "wide"}) : para(tests[name].title)));
  },

  /** What turned out to be true of the car as it came. */
  close(app, car) {
    const {outcomes} = app.ui, {form} = app.data;
    const asked = car.likelyAsItCame().map(({name, title}) => el("li", {}, title,
      el("div", {class: "row", role: "group", "aria-label": title},
        Object.entries(OUTCOMES).map(([word, label]) => button(label, () => app.show({outcomes: {...outcomes, [name]: word}}),
            {"aria-pressed": String((outcomes[name] || "") === word), "data-outcome": name,
              "data-word": word})))));
    return [
      heading("What turned out to be true?"),
      para("Of the car as it came. What is left open counts as not known.", "small soft"),
      el("ul", {class: "list"}, asked),
      button("Close the case", () => app.close(car, outcomes), {class: "go wide", id: "close"}),
      back(app),
      para(`Knowledge ${form.digest}`, "small soft"),
    ];
  },
};
