// A number pad for gloves: it types into the field that was touched last.

const KEYS = ["7", "8", "9", "4", "5", "6", "1", "2", "3", ",", "0", "⌫", ">", "---", "next"];
const NAMES = { "⌫": "delete the last character", ">": "above", "---": "no value", ",": "decimal mark" };

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
  else if (key === "---") last.value = "---";
  else last.value += key;
  last.dispatchEvent(new Event("input", { bubbles: true }));
  last.focus();
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
