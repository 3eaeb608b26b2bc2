"use strict";
// What is kept on this device: entries until the book has them, cases as the book had them last.
// Everything here works in a page over plain http, which is no secure context: no service worker,
// no randomUUID, no locks.

const hexId = () => Array.from(crypto.getRandomValues(new Uint8Array(16)),
  (byte) => byte.toString(16).padStart(2, "0")).join("");

/** A few named stores in IndexedDB; in memory where the browser keeps none. */
class Shelf {
  static async open(name) {
    const shelf = new Shelf();
    shelf.memory = {entries: new Map(), cases: new Map(), photos: new Map(), prefs: new Map()};
    shelf.lasting = await new Promise((resolve) => {
      try {
        const asked = indexedDB.open(name, 1);
        asked.onupgradeneeded = () => Object.keys(shelf.memory).forEach((store) =>
          asked.result.createObjectStore(store));
        asked.onsuccess = () => { shelf.db = asked.result; resolve(true); };
        asked.onerror = asked.onblocked = () => resolve(false);
      } catch { resolve(false); }
    });
    return shelf;
  }

  run(store, mode, work) {
    return new Promise((resolve, reject) => {
      const change = this.db.transaction(store, mode);
      const asked = work(change.objectStore(store));
      change.oncomplete = () => resolve(asked.result);
      change.onerror = change.onabort = () => reject(change.error);
    });
  }

  /** Keep something; what the browser has no room for stands until this page is closed. */
  async put(store, key, value) {
    if (!this.db) return this.memory[store].set(key, value);
    return this.run(store, "readwrite", (s) => s.put(value, key))
      .catch(() => { this.lasting = false; });
  }

  async remove(store, key) {
    if (this.db) return this.run(store, "readwrite", (s) => s.delete(key));
    return this.memory[store].delete(key);
  }

  async get(store, key) {
    return this.db ? this.run(store, "readonly", (s) => s.get(key)) : this.memory[store].get(key);
  }

  async all(store) {
    return this.db ? this.run(store, "readonly", (s) => s.getAll())
      : [...this.memory[store].values()];
  }
}

/** Whether an answer turns down for good what was sent; any other trouble may pass. */
const turnsDown = ({status}) => [400, 404, 413, 415].includes(status);

/** Why something was not answered as asked. */
const problemOf = (answer) => answer.json().then(({problem}) => problem)
  .catch(() => "").then((told) => told || `the workshop's computer answers ${answer.status}`);

const SENT_AT_ONCE = 100, ASK_EVERY_MS = 4000, QUIET_MS = 500, LIST_EVERY_MS = 15000, WAIT_MS = [1000, 2000, 5000, 10000, 20000];

/** Cases and entries of this device, and what goes to and comes from the server. */
class Store {
  static async open(settings, sectionOf) {
    const store = new Store();
    Object.assign(store, {settings, sectionOf, listeners: [], cases: new Map(), waiting: [],
      listed: [], wanted: ["advice"], online: false, failures: 0, refused: [], photos: [],
      unkept: []});
    store.shelf = await Shelf.open("loopodds-bay");
    store.prefs = (await store.shelf.get("prefs", "prefs")) || {units: {}, device: hexId()};
    await store.savePrefs();
    for (const one of await store.shelf.all("cases")) store.cases.set(one.key, one);
    const entries = await store.shelf.all("entries");
    entries.sort((a, b) => a.count - b.count || (a.order || 0) - (b.order || 0));
    store.waiting = entries.filter((entry) => !entry.problem);
    store.refused = entries.filter((entry) => entry.problem);
    const photos = await store.shelf.all("photos");
    store.photos = photos.filter((photo) => !photo.problem);
    store.unkept = photos.filter((photo) => photo.problem);
    return store;
  }

  savePrefs() { return this.shelf.put("prefs", "prefs", this.prefs); }

  changed() { this.listeners.forEach((listener) => listener()); }

  /** Events of a case: those of the book, then what waits here. */
  events(key) {
    const known = this.cases.get(key), book = known ? known.events : [];
    const there = new Set(book.map(idOf));
    const own = this.waiting.filter((entry) => entry.case === key && !there.has(entry.id));
    return [...book, ...own.flatMap((entry) => eventsOf(entry, this.sectionOf))];
  }

  keys() {
    return [...new Set([...this.cases.keys(), ...this.waiting.map((entry) => entry.case)])];
  }

  /** Make an entry: it is on this device when the promise resolves, and goes out on its own. */
  async enter(key, entry) {
    const id = hexId(), own = key || id;
    const counts = this.events(own).map((event) => (event.content.tap || {}).count || 0);
    const full = {id, device: this.prefs.device, count: 1 + Math.max(0, ...counts),
      at: new Date().toISOString(), case: own, ...entry};
    full.order = this.prefs.order = (this.prefs.order || 0) + 1;
    this.waiting.push(full);
    this.changed();
    await this.shelf.put("entries", id, full);
    this.savePrefs();
    this.send();
    return own;
  }

  /** Entries that were made elsewhere without a network, as a file holds them. */
  async takeIn(entries) {
    const known = () => new Set(this.waiting.map(({id}) => id));
    const taken = entries.filter(({id}) => !known().has(id));
    for (const entry of taken) entry.order = this.prefs.order = (this.prefs.order || 0) + 1;
    await Promise.all(taken.map((entry) => this.shelf.put("entries", entry.id, entry)));
    // All of them come in at once: nobody sees, or sends, half a case.
    this.waiting.push(...taken.filter(({id}) => !known().has(id)));
    this.savePrefs();
    this.changed();
    this.send();
  }

  /** What the book does not have and a person has to know of: entries and photos, each with why. */
  turnedAway(key) {
    const own = (one) => !key || one.case === key;
    return {entries: this.refused.filter(own), photos: this.unkept.filter(own)};
  }

  async drop(entry) {
    this.refused = this.refused.filter((one) => one !== entry);
    this.changed();
    await this.shelf.remove("entries", entry.id);
  }

  async dropPhoto(photo) {
    this.unkept = this.unkept.filter((one) => one !== photo);
    this.changed();
    await this.shelf.remove("photos", photo.id);
  }

  /** Try once more with something that was turned down: the book may take it by now. */
  async sendAgain(one) {
    const photo = this.unkept.includes(one);
    delete one.problem;
    if (photo) this.photos.push(one);
    else this.waiting.push(one);
    this.refused = this.refused.filter((other) => other !== one);
    this.unkept = this.unkept.filter((other) => other !== one);
    this.changed();
    await this.shelf.put(photo ? "photos" : "entries", one.id, one);
    this.send();
  }

  async ask(path, options = {}) {
    const {key = ""} = this.prefs;
    const headers = {...options.headers, "x-bay-key": key};
    const answer = await fetch(path, {...options, headers, cache: "no-store"});
    if (answer.status === 403 && this.settings.paired) {
      this.unpaired = key === (this.prefs.key || "");
      throw new Error("this device is not paired");
    }
    return answer;
  }

  get keyless() { return this.settings.paired && !this.prefs.key; }

  async pair(word) {
    const answer = await fetch("pair", {method: "POST", body: word});
    const told = await answer.json();
    if (!answer.ok) throw new Error(told.problem);
    this.prefs.key = told.key;
    this.unpaired = false;
    await this.savePrefs();
    this.wake();
  }

  /** Send what waits, oldest first, one call at a time; again later where that fails. */
  async send() {
    if (!this.settings.server || this.keyless || this.sending || !(this.waiting.length || this.photos.length))
      return;
    this.sending = true;
    try {
      let atOnce = SENT_AT_ONCE;
      while (this.waiting.length) {
        const batch = this.waiting.slice(0, atOnce);
        const body = JSON.stringify(batch.map(({order, problem, ...entry}) => entry));
        const answer = await this.ask("entries", {method: "POST", body,
          headers: {"Content-Type": "application/json"}});
        if (!answer.ok) {
          const problem = await problemOf(answer);
          if (!turnsDown(answer)) throw this.troubled(problem);
          if (atOnce === 1) await this.turnedDown(batch, problem);
          atOnce = 1; // so that one bad entry spoils no other
          continue;
        }
        const told = await answer.json();
        await this.taken(batch, told);
        atOnce = SENT_AT_ONCE;
        const later = told.outcomes.find((one) => one.later);
        if (later) throw this.troubled(later.problem);
      }
      this.problem = "";
      for (const photo of [...this.photos]) await this.sendPhoto(photo);
      this.reached(true);
    } catch { this.reached(false); }
    this.sending = false;
    this.changed();
    if (this.failures) this.wakeLater();
    else this.adviceSoon();
  }

  troubled(problem) {
    this.problem = problem;
    return new Error(problem);
  }

  /** Ask for advice once nothing has been entered for a moment. */
  adviceSoon() {
    clearTimeout(this.soon);
    this.soon = setTimeout(() => this.current && this.refresh(this.current)
      .catch(() => this.reached(false)), QUIET_MS);
  }

  async taken(batch, {outcomes, cases}) {
    for (const one of cases) await this.keep(one);
    const problems = new Map(outcomes.filter(({later}) => !later)
      .map(({id, problem}) => [id, problem]));
    const done = batch.filter(({id}) => problems.has(id));
    const refused = done.filter(({id}) => problems.get(id));
    for (const entry of refused) entry.problem = problems.get(entry.id);
    this.refused.push(...refused);
    this.waiting = this.waiting.filter((entry) => !problems.has(entry.id));
    this.changed();
    for (const entry of done)
      if (entry.problem) await this.shelf.put("entries", entry.id, entry);
      else await this.shelf.remove("entries", entry.id);
  }

  async turnedDown(batch, problem) {
    await this.taken(batch, {cases: [], outcomes: batch.map(({id}) => ({id, problem}))});
  }

  async keep(one) {
    const before = this.cases.get(one.key);
    if (before && before.events.length > one.events.length) return false; // a late answer
    const same = before && before.events.length === one.events.length;
    const {advice = null, offers = null} = before || {};
    this.knowledge = one.knowledge;
    this.cases.set(one.key, {...one, advice, offers});
    await this.shelf.put("cases", one.key, this.cases.get(one.key));
    return !same || before.photos.length !== one.photos.length;
  }

  /** Whether the server works by other knowledge than this page carries. */
  otherKnowledge(digest) {
    return Boolean(this.knowledge) && this.knowledge !== digest;
  }

  reached(there) {
    this.online = there;
    this.failures = there ? 0 : this.failures + 1;
  }

  wakeLater() {
    clearTimeout(this.later);
    const wait = WAIT_MS[Math.min(this.failures, WAIT_MS.length) - 1];
    this.later = setTimeout(() => this.wake(), wait);
  }

  /** Send, then look what others have added to the case that is open, and ask for advice. */
  async wake() {
    if (!this.settings.server || this.unpaired || this.keyless) return;
    await this.send();
    try {
      if (!this.current && Date.now() - (this.listedAt || 0) > LIST_EVERY_MS) {
        this.listedAt = Date.now();
        const told = await (await this.ask("cases")).json();
        this.listed = told.cases;
        this.knowledge = told.knowledge;
      } else if (this.current) await this.refresh(this.current);
      this.reached(true);
    } catch { this.reached(false); }
    this.changed();
  }

  async refresh(key) {
    const known = this.cases.get(key);
    if (!known) return;
    const answer = await this.ask(`case/${known.case}`);
    if (!answer.ok) return;
    if (await this.keep(await answer.json())) this.changed();
    for (const what of this.wanted) {
      const now = this.cases.get(key);
      if (!now[what] || now[what].events !== now.events.length) await this.workedOut(key, what);
    }
  }

  /** Have the server work something out about a case as it stands. */
  async workedOut(key, what) {
    if (this.waiting.length || !this.settings.server) return;
    const answer = await this.ask(`case/${this.cases.get(key).case}/${what}`);
    if (!answer.ok) return;
    const told = await answer.json();
    const now = this.cases.get(key); // which may be another by now
    now[what] = told;
    await this.shelf.put("cases", key, now);
    this.changed();
  }

  async openNumber(number) {
    const answer = await this.ask(`case/${number}`);
    if (!answer.ok) throw new Error(await problemOf(answer));
    const one = await answer.json();
    await this.keep(one);
    return one.key;
  }

  watch() {
    if (!this.settings.server) return;
    setInterval(() => { if (!document.hidden) this.wake(); }, ASK_EVERY_MS);
    addEventListener("online", () => this.wake());
    this.wake();
  }

  async keepPhoto(key, about, blob) {
    const photo = {id: hexId(), case: key, about, blob};
    this.photos.push(photo);
    this.changed();
    await this.shelf.put("photos", photo.id, photo);
    this.send();
  }

  async sendPhoto(photo) {
    const known = this.cases.get(photo.case);
    if (!known && this.waiting.some((entry) => entry.case === photo.case)) return;
    const answer = known && await this.ask(`case/${known.case}/photos/${photo.about}`,
      {method: "POST", body: photo.blob});
    if (answer && !answer.ok && !turnsDown(answer)) throw this.troubled(await problemOf(answer));
    this.photos = this.photos.filter((one) => one !== photo);
    if (!answer || !answer.ok) {
      await this.photoRefused(photo, answer ? await problemOf(answer) : "its case is not in the book");
      return;
    }
    await this.shelf.remove("photos", photo.id);
    await this.refresh(photo.case);
  }

  /** A photo that is not in the book stays on this device until a person puts it aside. */
  async photoRefused(photo, problem) {
    photo.problem = problem;
    this.unkept.push(photo);
    this.changed();
    await this.shelf.put("photos", photo.id, photo);
  }
}
