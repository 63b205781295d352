// What a photo of the display seems to show: each value beside the part of the photo it stands in.
// Nothing is filled in by itself: a touch on a value takes it over, and the form is taken as ever.

import { Away, Problem, send } from "./api.js";
import { held, keep } from "./draft.js";

const SURE = 0.8; // a character that is less sure than this is marked

document.addEventListener("photographed", async (event) => {
  const form = event.target;
  const fields = Array.from(form.querySelectorAll("[data-value][data-point]"));
  if (!form.dataset.quantity || !fields.length) return;
  const place = form.querySelector("[data-reading]");
  const { sha256 } = event.detail;
  place.textContent = "Reading the display …";
  try {
    const points = fields.map((field) => field.dataset.point);
    const found = await send(`/api/evidence/${sha256}/proposals`, { quantity: form.dataset.quantity, points });
    const picture = await load(`/api/evidence/${sha256}`);
    if (form.isConnected) show(form, fields, found, picture);
  } catch (error) {
    if (!(error instanceof Away || error instanceof Problem)) throw error;
    // The photo is kept, and keying is as it was.
    place.textContent = `Not read off the photo: ${error.message}`;
  }
});

async function load(path) {
  const picture = new Image();
  picture.src = path;
  await picture.decode();
  return picture;
}

function show(form, fields, found, picture) {
  for (const old of form.querySelectorAll(".proposal")) old.remove();
  let placed = 0;
  for (const proposal of found.proposals) {
    const field = fields.find((each) => each.dataset.point === proposal.point);
    if (!field) continue;
    field.after(offer(form, field, proposal, found.photo, picture));
    placed += 1;
  }
  const words = found.doubts.map((doubt) => doubt.words);
  words.unshift(placed ? "Compare each value with its picture; touch it if it is shown so." : "No value could be read off the photo: key it.");
  form.querySelector("[data-reading]").textContent = words.join(" ");
}

/** One proposal: its picture, its characters, its doubts, and the button that takes it over. */
function offer(form, field, proposal, photo, picture) {
  const box = document.createElement("div");
  box.className = "proposal";
  box.append(cut(picture, proposal.crop, field.dataset.point));
  const button = document.createElement("button");
  button.type = "button";
  button.append("Shown: ");
  for (const character of proposal.characters) {
    const part = document.createElement(character.confidence < SURE ? "mark" : "span");
    part.textContent = character.text;
    button.append(part);
  }
  if (proposal.shown_unit && proposal.text === proposal.digits) button.append(` ${proposal.shown_unit}`);
  button.setAttribute("aria-label", `${field.dataset.point}: the display shows ${text(proposal)}`);
  button.addEventListener("click", () => takeOver(form, field, proposal, photo));
  box.append(button);
  for (const doubt of proposal.doubts) {
    const line = document.createElement("p");
    line.className = "wrong";
    line.textContent = `Look: ${doubt.words}`;
    box.append(line);
  }
  return box;
}

function text(proposal) {
  return `${proposal.digits} ${proposal.shown_unit}`.trim();
}

function takeOver(form, field, proposal, photo) {
  const name = form.dataset.draft;
  const proposed = held(name).proposed || {};
  proposed[field.dataset.value] = {
    photo,
    proposed: text(proposal),
    confidence: proposal.confidence,
    doubts: proposal.doubts.map((doubt) => doubt.kind),
  };
  keep(name, { proposed });
  field.value = text(proposal);
  field.dispatchEvent(new Event("input", { bubbles: true }));
  field.focus();
}

function cut(picture, crop, point) {
  const edge = Math.round(crop.height * 0.2);
  const left = Math.max(crop.left - edge, 0);
  const top = Math.max(crop.top - edge, 0);
  const width = Math.min(crop.width + 2 * edge, picture.naturalWidth - left);
  const height = Math.min(crop.height + 2 * edge, picture.naturalHeight - top);
  const canvas = document.createElement("canvas");
  canvas.width = width;
  canvas.height = height;
  canvas.setAttribute("role", "img");
  canvas.setAttribute("aria-label", `${point}: this part of the photo`);
  canvas.getContext("2d").drawImage(picture, left, top, width, height, 0, 0, width, height);
  return canvas;
}
