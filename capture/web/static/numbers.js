// Numbers that people type. A browser's own number field drops what it does not like, by the
// language it happens to be set to: `28,5` became 285, and `15 kW` became 15 W. So these are text
// fields, whose whole text is understood or refused. What is not likely is asked about once.

import { trouble } from "./api.js";

const WRITTEN = /^([+\-−]?)(\d{1,3}(?:[ \u00a0\u202f]\d{3})+|\d+)(?:[.,](\d+))?\s*(.*)$/;
// A thousand, or one and a bit: nobody can tell.
const TWO_WAYS = /^[+\-−]?[1-9]\d{0,2}[.,]\d{3}(?!\d)/;

/** Give a field's units: each with the power of ten that brings it to the first one. */
function unitsOf(field) {
  return new Map((field.dataset.units || "").split(" ").filter(Boolean).map((each) => {
    const [unit, power] = each.split("=");
    return [unit, Number(power || 0)];
  }));
}

/** Understand a field: its number, or what is wrong with it. */
function understood(field) {
  const text = field.value.trim();
  if (text === "") return {};
  // As the bench wrote it: no person wrote it, so it has only one meaning.
  if (field.value === field.defaultValue && Number.isFinite(Number(text))) return { number: Number(text) };
  const units = unitsOf(field);
  const [first = ""] = units.keys();
  const found = WRITTEN.exec(text);
  const unit = found === null ? "" : found[4];
  // What does not begin as units do, such as a second comma, belongs to the number.
  if (found === null || (!units.has(unit) && /^[^\p{L}°%]/u.test(unit))) return { fault: `“${text}” is not a number${first && " in " + first}; type it like ${example(field, units)}` };
  const [, sign, whole, part = ""] = found;
  if (unit !== "" && !units.has(unit)) {
    const known = Array.from(units.keys()).join(" or ");
    return { fault: `“${text}”: ${known ? `its unit is ${known}` : "no unit stands here"}; type it like ${example(field, units)}` };
  }
  if (TWO_WAYS.test(text)) {
    const thousands = text.replace(/[.,](?=\d{3})/, "");
    return { fault: `“${text}” can be read two ways; type ${thousands} without a mark for thousands, or other than three decimals` };
  }
  const digits = whole.replace(/\D/g, "") + (part && "." + part);
  // The power is written behind the digits, so that the nearest number is found at once.
  const number = Number(`${sign && sign !== "+" ? "-" : ""}${digits}e${units.get(unit) || 0}`);
  const step = Number(field.dataset.step || 0);
  if (step && number % step !== 0) return { fault: `${text} is not ${step === 1 ? "a whole" : "an even"} number` };
  const [low, high] = (field.dataset.likely || "-Infinity Infinity").split(" ").map(Number);
  const odd = number < low || number > high;
  return { number, doubt: odd && `“${text}” would be ${number} ${first}: look once more; press again if it stands so` };
}

function example(field, units) {
  const [first, second] = units.keys();
  if (units.get(second) === 3) return `4000 ${first} or 4 ${second}`;
  return field.dataset.step ? "4" : `21.5${first ? " " + first : ""}`;
}

/** Give a field's number, base unit; NaN where it holds none. */
export function numberIn(field) {
  return understood(field).number ?? NaN;
}

function look(field) {
  const { fault } = understood(field);
  field.setCustomValidity(fault ? `${fault}.` : "");
}

// Before any form is sent: what a draft brought back has not been looked at yet.
document.addEventListener("submit", (event) => {
  const form = event.target;
  const fields = Array.from(form.querySelectorAll("input[data-number]"));
  fields.forEach(look);
  const wrong = fields.find((field) => field.validity.customError);
  const odd = fields.find((field) => understood(field).doubt && field.dataset.stands !== field.value);
  if (!wrong && !odd) return;
  event.preventDefault();
  event.stopImmediatePropagation();
  if (wrong) {
    wrong.reportValidity();
    return;
  }
  odd.dataset.stands = odd.value;
  trouble(`${odd.labels[0].textContent.trim()}: ${understood(odd).doubt}.`);
  odd.focus();
}, true);
// What is being corrected is not told off at every letter: it is looked at once more when left.
document.addEventListener("input", (event) => event.target.matches("input[data-number]") && event.target.setCustomValidity(""));
document.addEventListener("change", (event) => event.target.matches("input[data-number]") && look(event.target));
