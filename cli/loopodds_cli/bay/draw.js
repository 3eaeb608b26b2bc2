"use strict";
// Small parts of the screen. Text only ever becomes a text node, so that nothing in it can be
// markup.

function el(tag, given = {}, ...children) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(given)) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith("on")) node.addEventListener(key.slice(2), value);
    else if (key === "value") node.value = value;
    else node.setAttribute(key, value === true ? "" : value);
  }
  for (const child of children.flat(Infinity))
    if (child !== null && child !== undefined && child !== false && child !== "")
      node.append(child instanceof Node ? child : document.createTextNode(String(child)));
  return node;
}

const button = (label, does, given = {}) =>
  el("button", {type: "button", onclick: does, ...given}, label);
const para = (text, kind) => el("p", {class: kind}, text);
const heading = (text) => el("h1", {tabindex: "-1"}, text);

const ROUNDING = 1e-12; // a chance that is nothing but sums in another order

function percent(chance) {
  if (chance === undefined || chance === null || Number.isNaN(chance)) return "?";
  if (chance > 0.99 && chance < 1 - ROUNDING) return ">99 %";
  if (chance < 0.01 && chance > ROUNDING) return "<1 %";
  return `${Math.round(chance * 100)} %`;
}

const clock = (text) => {
  const at = new Date(text);
  return Number.isNaN(at.getTime()) ? "" : at.toLocaleTimeString([], {hour: "2-digit",
    minute: "2-digit", hour12: false});
};

/** A day so many days from now, as 2027-03-01, by the clock of this device. */
const dayIn = (days) => {
  const at = new Date(Date.now() + days * 86400000);
  const two = (number) => String(number).padStart(2, "0");
  return `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())}`;
};

const dayText = (day) => {
  const at = new Date(`${day}T12:00`);
  return Number.isNaN(at.getTime()) ? day : at.toLocaleDateString([], {day: "numeric",
    month: "long", year: "numeric"});
};

const span = (seconds) => {
  const left = Math.max(0, Math.ceil(seconds));
  return `${Math.floor(left / 60)}:${String(left % 60).padStart(2, "0")}`;
};

const minutesText = (minutes) => {
  const whole = Math.round(minutes);
  return whole < 90 ? `${whole} min` : `${Math.floor(whole / 60)} h ${whole % 60} min`;
};

const money = (amount, currency) => {
  const whole = Math.round(amount);
  return `${whole} ${currency === "unit" && whole !== 1 ? "units" : currency}`;
};

const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);

function valueText(value) {
  if (typeof value === "string") return value.split(" ").map((w) => unitText(spaced(w))).join(" ");
  const most = Math.max(...Object.values(value));
  const first = Object.keys(value).filter((state) => value[state] === most).map(spaced).join(" or ");
  const others = Object.values(value).filter((share) => share !== most);
  if (new Set(others).size > 1) {  // of a photo: each word has its own
    return `${first} (${percent(most / Object.values(value).reduce((sum, one) => sum + one, 0))})`;
  }
  return `${first}, not sure (${others.length ? Math.max(...others) : 1} to ${most} for another)`;
}

const UNIT_TEXTS = {degC: "°C", degF: "°F", deltaF: "°F apart", Mohm: "MΩ", kohm: "kΩ",
  Gohm: "GΩ"};
const unitText = (unit) => UNIT_TEXTS[unit] || unit;

/** Digits for a gloved thumb; what is typed stays in `draft`. */
function keypad(draft, changed, entered) {
  const press = (sign) => () => {
    if (sign === "back") draft.text = draft.text.slice(0, -1);
    else if (sign === "minus") draft.text = draft.text.startsWith("-") ? draft.text.slice(1)
      : `-${draft.text}`;
    else if (draft.text.length < 9 && !(sign === "." && draft.text.includes("."))) draft.text += sign;
    changed();
  };
  const names = {back: ["⌫", "delete the last digit"], minus: ["±", "change the sign"],
    ".": [".", "decimal point"]};
  const keys = ["7", "8", "9", "back", "4", "5", "6", "minus", "1", "2", "3", ".", "0"];
  const made = keys.map((sign) => {
    const [shown, said] = names[sign] || [sign, sign];
    return button(shown, press(sign), {"aria-label": said, class: "key", "data-key": sign});
  });
  return el("div", {class: "keys", role: "group", "aria-label": "Digits"}, made,
    button("Enter", entered, {class: "go key enter", id: "enter"}));
}
