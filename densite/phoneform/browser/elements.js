// Small pieces of the page. Text only ever goes in as text: there is no way from a record to markup.

function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value === true ? "" : String(value));
  }
  element.append(...children.flat(2).filter((child) => child !== null && child !== undefined));
  return element;
}

function drawing(name, paths) {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  const set = { viewBox: "0 0 48 32", "aria-hidden": "true", focusable: "false", class: `drawing ${name}` };
  for (const [key, value] of Object.entries(set)) svg.setAttribute(key, value);
  for (const d of paths) {
    const path = document.createElementNS("http://www.w3.org/2000/svg", "path");
    path.setAttribute("d", d);
    svg.append(path);
  }
  return svg;
}

// Our own line drawings of the four types of den, seen from the side.
const DRAWINGS = {
  "tree": ["M17 30 C19 22 19 12 17 2", "M31 30 C29 22 29 12 31 2", "M24 13 a3.5 5 0 1 0 .1 0z", "M8 30 H40"],
  "ground bed": ["M3 17 H12 C15 29 33 29 36 17 H45", "M16 21 l2 3 M24 24 v3 M32 21 l-2 3"],
  "rock ledge": ["M4 5 H34 L44 13 H17 L14 20 V30", "M4 30 H44", "M24 22 a5 5 0 0 1 10 0 V30"],
  "brush": ["M6 30 H42", "M12 30 C8 20 7 14 10 6", "M18 30 C17 18 20 12 17 3", "M25 30 C26 20 23 12 28 5",
    "M33 30 C33 22 38 15 36 7", "M12 20 l6 -5 M26 19 l6 -4 M33 24 l7 -6 M19 12 l5 -4"],
};

function button(text, act, kind = "") {
  return make("button", { type: "button", class: `button ${kind}`.trim(), onclick: act }, text);
}

const BOUNCE_MS = 700;

// Asks once more before it acts. A second touch that comes at once is a glove's bounce and no answer.
function sureButton(text, sure, act, kind = "") {
  let asked = 0;
  const made = button(text, () => {
    if (asked) return performance.now() - asked > BOUNCE_MS ? act() : null;
    asked = performance.now();
    made.textContent = sure;
    made.removeAttribute("aria-label");
    return null;
  }, kind);
  return made;
}

function linkTo(hash, text, kind = "") {
  return make("a", { href: hash, class: `button ${kind}`.trim() }, text);
}

function heading(text, level = 2, id = null) {
  return make(`h${level}`, { id, tabindex: level === 1 ? "-1" : null }, text);
}

let namesMade = 0;

function newName() {
  namesMade += 1;
  return `n${namesMade}`;
}

function named(key, other) {
  const text = say(key);
  return text === key ? other : text;
}

function unitOf(term) {
  return term.unit ? unitWord(term.unit) : "";
}
