// What was read off a photo: put beside each value with the part of the photo it came from. A person
// looks, corrects, and takes it; until then nothing is stored.

import { held, keep } from "./draft.js";

const LOW = 0.9; // below this a character is marked
const MARGIN = 0.35; // of a value's height, shown around it

/** Put what was read without a doubt into the fields that are still empty; give how many were read. */
export function fill(form, { read, unlikely }) {
  const name = form.dataset.draft;
  const seen = { ...held(name).seen };
  const empty = Array.from(form.querySelectorAll("[data-value]")).filter((field) => !field.value.trim());
  let count = 0;
  for (const proposal of read.proposals) {
    const at = empty.findIndex((field) => !proposal.point || field.dataset.point === proposal.point);
    if (at < 0) continue;
    const [field] = empty.splice(at, 1);
    seen[field.dataset.value] = { photo: read.photo, ...proposal };
    if (!proposal.doubts.length) take(field, proposal);
    count += 1;
  }
  keep(name, { seen, odd: [...read.doubts.map((doubt) => doubt.words), ...unlikely] });
  show(form);
  return count;
}

/** A value as it would be typed: the number as read, and its unit. */
function shown({ digits, shown_unit }) {
  return `${digits} ${shown_unit}`.trim();
}

function take(field, proposal) {
  field.value = shown(proposal);
  field.dispatchEvent(new Event("input", { bubbles: true }));
}

/** What goes with a value that was read off a photo; undefined for one that was not. */
export function fromPhoto(draft, place) {
  const proposal = (draft.seen || {})[place];
  if (!proposal) return undefined;
  const kinds = proposal.doubts.map((doubt) => doubt.kind);
  return { photo: proposal.photo, proposed: proposal.text, confidence: proposal.confidence, doubts: kinds };
}

/** Show what was read beside each value. */
export function show(form) {
  const { seen = {}, odd = [] } = held(form.dataset.draft);
  for (const place of form.querySelectorAll("[data-seen-at]")) {
    const proposal = seen[place.dataset.seenAt];
    place.replaceChildren();
    place.hidden = !proposal;
    if (!proposal) continue;
    place.append(crop(proposal), characters(proposal), doubts(proposal));
    if (proposal.doubts.length) place.append(offer(form, place.dataset.seenAt, proposal));
  }
  const list = form.querySelector(".doubts");
  if (odd.length && Object.keys(seen).length) {
    const said = document.createElement("ul");
    for (const words of odd) said.append(item(words));
    list.replaceChildren(said);
    list.hidden = false;
  }
}

/** The part of the photo that a value stood in. */
function crop({ photo, crop: box, text }) {
  const canvas = document.createElement("canvas");
  canvas.setAttribute("role", "img");
  canvas.setAttribute("aria-label", `part of the photo in which ${text} was read`);
  const image = new Image();
  image.addEventListener("load", () => {
    const margin = Math.round(MARGIN * box.height);
    const left = Math.max(0, box.left - margin);
    const top = Math.max(0, box.top - margin);
    const width = Math.min(image.naturalWidth - left, box.width + 2 * margin);
    const height = Math.min(image.naturalHeight - top, box.height + 2 * margin);
    const scale = Math.min(1, 480 / width);
    canvas.width = Math.max(1, Math.round(width * scale));
    canvas.height = Math.max(1, Math.round(height * scale));
    canvas.getContext("2d").drawImage(image, left, top, width, height, 0, 0, canvas.width, canvas.height);
  });
  image.src = `/api/evidence/${photo}`;
  return canvas;
}

/** What was read, character by character; those that are not sure are marked. */
function characters({ characters: read }) {
  const line = document.createElement("p");
  line.className = "read";
  line.append("read: ");
  for (const { text, confidence } of read) {
    if (confidence >= LOW) line.append(text);
    else {
      const mark = document.createElement("mark");
      mark.textContent = text;
      mark.title = "not sure";
      line.append(mark);
    }
  }
  return line;
}

/** A value with a doubt is taken over by a touch only. */
function offer(form, place, proposal) {
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = `It shows ${shown(proposal)}`;
  button.addEventListener("click", () => {
    const field = form.querySelector(`[data-value="${place}"]`);
    take(field, proposal);
    field.focus();
  });
  return button;
}

function doubts({ doubts: found }) {
  const list = document.createElement("ul");
  list.className = "wrong";
  for (const { words } of found) list.append(item(words));
  return list;
}

function item(words) {
  const line = document.createElement("li");
  line.textContent = `Look: ${words}`;
  return line;
}
