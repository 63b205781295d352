// The grid of keyed values: all that stand on one display, sent at once, asked about where odd.

import { Away, Problem, newId, send, told, trouble } from "./api.js";
import { forget, held, keep } from "./draft.js";
import { worded } from "./faults.js";
import { Behind, inTurn, read, seen, wrote } from "./forms.js";
import { whenBack } from "./live.js";
import { refresh } from "./parts.js";
import { fill, fromPhoto, show } from "./reading.js";

/** The same value has the same id however often it is sent; another value is another reading. */
function idOf(ids, place, typed) {
  const known = ids[place];
  if (!known || known.typed !== typed) ids[place] = { typed, id: newId() };
  return ids[place].id;
}

function bodyOf(form) {
  const name = form.dataset.draft;
  const draft = held(name);
  const ids = draft.ids || {};
  const body = read(form);
  body.display ??= {};
  body.values = [];
  for (const field of form.querySelectorAll("[data-value]")) {
    const typed = field.value.trim();
    if (!typed) continue;
    const value = { id: idOf(ids, field.dataset.value, typed), typed };
    if (field.dataset.elapsed) value.elapsed = Number(field.dataset.elapsed);
    const again = form.querySelector(`[data-again="${field.dataset.value}"]`).value.trim();
    if (again && body.display.second_operator) value.again = again;
    const loss = form.querySelector(`[data-loss="${field.dataset.value}"]`);
    const lost = loss && !loss.hidden ? loss.value.trim() : "";
    if (lost) value.loss = { id: idOf(ids, `loss-${field.dataset.value}`, lost), typed: lost };
    // Keyed twice is surer than confirmed: then the photo is evidence, and no more.
    else value.from_photo = fromPhoto(draft, field.dataset.value);
    if (!value.from_photo) delete value.from_photo;
    body.values.push(value);
  }
  const deviation = form.querySelector("[data-deviation]");
  if (deviation && deviation.value.trim()) {
    const typed = deviation.value.trim().replace(/\s*%?$/, " %");
    body.shown_deviation = { id: idOf(ids, "deviation", typed), typed };
  }
  if (draft.photos && draft.photos.length) body.display.photos = draft.photos;
  keep(name, { ids });
  return body;
}

async function take(form, confirmed) {
  if (form.dataset.busy) return;
  form.dataset.busy = "1";
  try {
    if (await inTurn(() => hand(form, confirmed))) await refresh();
  } catch (error) {
    if (!(error instanceof Behind)) throw error;
    if (!told()) trouble(error.message);
  } finally {
    delete form.dataset.busy;
  }
}

/** Hand the values in; true where they were taken. */
async function hand(form, confirmed) {
  const name = form.dataset.draft;
  const body = bodyOf(form);
  body.confirmed = confirmed;
  const same = JSON.stringify({ ...body, confirmed: null });
  const draft = held(name);
  // The act's own id lasts as long as what it says.
  body.id = draft.act && draft.act.same === same ? draft.act.id : newId();
  body.seen = draft.act && draft.act.same === same && draft.waiting ? draft.act.seen : seen();
  keep(name, { act: { id: body.id, same, seen: body.seen }, confirmed });
  try {
    wrote(await send(form.dataset.key, body));
  } catch (error) {
    if (error instanceof Away) {
      keep(name, { waiting: true });
      say(form, "Kept here; sent as soon as the bench is back.");
      setTimeout(() => again(form), 3000);
      return false;
    }
    keep(name, { waiting: false });
    if (!(error instanceof Problem)) throw error;
    if (error.kind === "doubt") ask(form, error.document.doubts);
    else if (error.kind === "stale") {
      await refresh();
      trouble("Somebody acted meanwhile: look at the job as it is now, then take the values if the step is still open.");
    } else trouble(worded(form, error));
    return false;
  }
  forget(name);
  trouble("");
  return true;
}

function say(form, text) {
  form.querySelector("[data-kept]").textContent = text;
}

function ask(form, doubts) {
  const place = form.querySelector(".doubts");
  place.replaceChildren();
  const heading = document.createElement("p");
  heading.textContent = "Look at the display once more:";
  const list = document.createElement("ul");
  for (const doubt of doubts) {
    const item = document.createElement("li");
    item.textContent = doubt.meant ? `${doubt.words} (is ${doubt.meant} meant?)` : doubt.words;
    list.append(item);
  }
  const stands = document.createElement("button");
  stands.type = "button";
  stands.textContent = "It stands so: take it";
  stands.addEventListener("click", () => {
    place.hidden = true;
    take(form, true);
  });
  place.append(heading, list, stands);
  place.hidden = false;
  stands.scrollIntoView({ block: "nearest" });
}

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (!form.dataset.key) return;
  event.preventDefault();
  form.querySelector(".doubts").hidden = true;
  trouble("");
  take(form, false);
});

document.addEventListener("input", (event) => {
  const form = event.target.closest("form[data-key]");
  if (!form) return;
  form.querySelector(".doubts").hidden = true;
  say(form, "Kept on this device until it is taken.");
  if (event.target.matches("[data-second]")) second(form);
});

// A select tells of a change by both events in some browsers, by this one in all.
document.addEventListener("change", (event) => {
  const form = event.target.closest("form[data-key]");
  if (form && event.target.matches("[data-loss-as]")) losses(form);
});

/** A field for the loss stands beside each inductance while somebody says which loss it is. */
function losses(form) {
  const as = form.querySelector("[data-loss-as]");
  if (!as) return;
  for (const field of form.querySelectorAll("[data-loss]")) field.hidden = !as.value;
  // A resistance tells the model itself: Rs stands beside Ls.
  const told = { Rs: "series", Rp: "parallel" }[as.value.slice(0, 2)];
  const model = form.querySelector("[name='display.conditions.model']");
  if (told && model.value !== told) {
    model.value = told;
    model.dispatchEvent(new Event("input", { bubbles: true }));
  }
}

function second(form) {
  const wanted = Boolean(form.querySelector("[data-second]").value.trim());
  for (const field of form.querySelectorAll("[data-again]")) {
    field.hidden = !wanted;
    field.required = wanted && Boolean(form.querySelector(`[data-value="${field.dataset.again}"]`).required);
  }
}

document.addEventListener("change", async (event) => {
  const field = event.target;
  if (!field.matches("[data-photo]") || !field.files.length) return;
  const form = field.closest("form");
  const name = form.dataset.draft;
  const place = form.querySelector("[data-photos]");
  place.textContent = "sending the photo …";
  let digest;
  try {
    digest = (await send("/api/evidence", field.files[0])).sha256;
    const photos = held(name).photos || [];
    if (!photos.includes(digest)) photos.push(digest);
    keep(name, { photos });
    field.value = "";
  } catch (error) {
    place.textContent = error instanceof Away ? "Not sent: the bench cannot be reached; choose it again later." : error.message;
    return;
  }
  place.textContent = "reading the display …";
  const instrument = form.querySelector("[name='display.instrument']").value || null;
  try {
    const found = await send(form.dataset.read, { photo: digest, instrument });
    const count = fill(form, found);
    photosOf(form, count ? `${count} value${count === 1 ? "" : "s"} read: look at each, correct what is wrong, then take them` : "no value was read off it: key what it shows");
  } catch (error) {
    photosOf(form, error instanceof Away ? "not read: the bench cannot be reached" : error.message);
  }
});

function photosOf(form, more = "") {
  const count = (held(form.dataset.draft).photos || []).length;
  const kept = count ? `${count} kept` : "";
  form.querySelector("[data-photos]").textContent = [kept, more].filter(Boolean).join("; ");
  form.querySelector("[data-no-photos]").hidden = !count;
}

// A photo of something else would stand in the record as the evidence of every value.
document.addEventListener("click", (event) => {
  if (!event.target.matches("[data-no-photos]")) return;
  const form = event.target.closest("form");
  const name = form.dataset.draft;
  // What was read off it goes too: as it stands nobody has keyed it.
  for (const place of Object.keys(held(name).seen || {})) form.querySelector(`[data-value="${place}"]`).value = "";
  keep(name, { photos: [], seen: {}, odd: [] });
  form.querySelector(".doubts").hidden = true;
  form.dispatchEvent(new Event("input", { bubbles: true })); // the draft is kept as it is now
  show(form);
  photosOf(form);
});

function begin(root) {
  for (const form of root.querySelectorAll("form[data-key]")) {
    photosOf(form);
    show(form);
    second(form);
    losses(form);
    const draft = held(form.dataset.draft);
    if (draft.fields && form.querySelector("[data-value]").value) say(form, "Kept on this device until it is taken.");
  }
}

function again(form) {
  const draft = held(form.dataset.draft);
  if (form.isConnected && draft.waiting) take(form, Boolean(draft.confirmed));
}

/** What could not be sent is sent when the bench is back. */
whenBack(() => {
  for (const form of document.querySelectorAll("form[data-key]")) again(form);
});

document.addEventListener("drawn", (event) => begin(event.target));
begin(document);
