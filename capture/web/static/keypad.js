// A number pad for gloves: it types into the field that was touched last.

import { trouble } from "./api.js";

// The mark is a point: a comma before three decimals could also part thousands, and is refused.
const KEYS = ["7", "8", "9", "4", "5", "6", "1", "2", "3", ".", "0", "⌫", ">", "<", "OL", "---", "next"];
const NAMES = { "⌫": "delete the last character", ">": "above", "<": "below", OL: "above range, OL", "---": "no value", ".": "decimal mark" };

// What a display shows, each in a field of its own.
const FIELDS = "[data-value], [data-again], [data-loss]";

function build(pad) {
  if (pad.childElementCount) return;
  for (const key of KEYS) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = key;
    button.dataset.padKey = key;
    if (NAMES[key]) button.setAttribute("aria-label", NAMES[key]);
    pad.append(button);
  }
  const more = document.createElement("button");
  more.type = "button";
  more.dataset.padKey = "keyboard";
  more.textContent = "keyboard of the tablet";
  more.setAttribute("aria-pressed", "false");
  pad.append(more);
}

function inputs(form) {
  return Array.from(form.querySelectorAll(FIELDS)).filter((each) => !each.hidden);
}

let last = null;
document.addEventListener("focusin", (event) => {
  if (event.target.matches(FIELDS)) last = event.target;
});

document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-pad-key]");
  if (!button) return;
  const form = button.closest("form");
  const fields = inputs(form);
  if (!last || !last.isConnected || !fields.includes(last)) last = fields.find((each) => !each.value) || fields[0];
  const key = button.dataset.padKey;
  if (key === "next") last = fields[(fields.indexOf(last) + 1) % fields.length];
  else if (key === "keyboard") {
    const on = button.getAttribute("aria-pressed") !== "true";
    button.setAttribute("aria-pressed", String(on));
    for (const field of fields) field.inputMode = on ? "text" : "none";
  } else if (key === "⌫") last.value = last.value.slice(0, -1);
  else if (key === "---" || key === "OL") last.value = key;
  else if (key === ">" || key === "<") last.value = key + last.value.replace(/^[<>]/, ""); // it stands before the number
  else last.value += key;
  last.dispatchEvent(new Event("input", { bubbles: true }));
  last.focus();
});

// A column out of a table: one value a field. A browser would write them one behind the other, as one number.
document.addEventListener("paste", (event) => {
  const field = event.target;
  if (!field.matches || !field.matches(FIELDS)) return;
  const pasted = event.clipboardData.getData("text").split(/[\r\n\t]+/).map((each) => each.trim()).filter(Boolean);
  if (pasted.length < 2) return;
  event.preventDefault();
  const kind = ["data-value", "data-again", "data-loss"].find((each) => field.hasAttribute(each));
  const fields = inputs(field.closest("form")).filter((each) => each.hasAttribute(kind));
  const rest = fields.slice(fields.indexOf(field));
  if (pasted.length > rest.length) {
    trouble(`${pasted.length} values were pasted for ${rest.length} field${rest.length === 1 ? "" : "s"}: nothing was taken over. Paste as many as there are, or one at a time.`);
    return;
  }
  pasted.forEach((each, at) => {
    rest[at].value = each;
    rest[at].dispatchEvent(new Event("input", { bubbles: true }));
  });
  rest[pasted.length - 1].focus();
});

document.addEventListener("keydown", (event) => {
  // Enter moves on to the next value; in the last one it sends.
  if (event.key !== "Enter" || !event.target.matches(FIELDS)) return;
  const fields = inputs(event.target.closest("form"));
  const next = fields[fields.indexOf(event.target) + 1];
  if (next) {
    event.preventDefault();
    next.focus();
  }
});

function buildAll(root) {
  for (const pad of root.querySelectorAll(".pad")) build(pad);
}
document.addEventListener("drawn", (event) => buildAll(event.target));
buildAll(document);
