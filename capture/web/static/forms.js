// Forms become requests. A form's id is made at its first try and kept until it was taken, so that
// trying again after a lost connection does nothing twice. It lasts as long as what the form says:
// under the same id, what was changed between two tries would pass for stored.

import { Away, Problem, newId, send, told, trouble } from "./api.js";
import { worded } from "./faults.js";
import { numberIn } from "./numbers.js";
import { refresh } from "./parts.js";

let ours = 0; // newest entry of this page's job that we wrote ourselves

/** Number in the journal of the newest entry of this job that the person has seen, or written. */
export function seen() {
  const place = document.querySelector("[data-seen-is]");
  return place ? Math.max(Number(place.dataset.seenIs), ours) : 0;
}

/** Note what we wrote: what is pressed next does not wait for the page to be drawn with it. */
export function wrote(answer) {
  if (answer.job === document.body.dataset.job && Number.isInteger(answer.last)) ours = Math.max(ours, answer.last);
}

/** What was pressed while another act was under way, and that one was not taken. */
export class Behind extends Error {
  constructor() {
    super("Not done, since what was pressed before it was not taken.");
  }
}

let last = null; // the newest act under way: whether it was taken, once that is known

/** Do one act after the other: what is pressed while another is under way rests on its outcome.
 *  `work` gives false, or throws, where its act was not taken. Throws Behind, and what `work` throws. */
export function inTurn(work) {
  const before = last;
  const mine = (async () => {
    if (before !== null && !(await before)) throw new Behind();
    return work();
  })();
  const taken = mine.then((given) => given !== false, () => false);
  last = taken;
  taken.then(() => {
    if (last === taken) last = null;
  });
  return mine;
}

/** Put a value where its dotted name says. */
export function put(body, name, value) {
  const path = name.split(".");
  const last = path.pop();
  let at = body;
  for (const each of path) at = at[each] ??= {};
  at[last] = value;
}

/** Read a form: numbers as numbers, empty fields left out. */
export function read(form, submitter) {
  const body = {};
  for (const field of form.elements) {
    if (!field.name || field.disabled || field.type === "file" || field.tagName === "BUTTON") continue;
    const text = field.value.trim();
    if (text === "") continue;
    put(body, field.name, !("number" in field.dataset) ? text : field.tagName === "SELECT" ? Number(text) : numberIn(field));
  }
  if (submitter && submitter.name) put(body, submitter.name, submitter.value);
  return body;
}

// Kept apart from the page, whose markup shows what stands in it: one form asks for a secret.
const lastSaid = new WeakMap();
// Ids of tries whose answer never came, where what was said has been changed since: the bench may have them.
const tried = new WeakMap();

async function submit(form, body) {
  const fresh = form.querySelector("[data-new-id]");
  const said = JSON.stringify(body);
  if (lastSaid.get(form) !== said) {
    lastSaid.set(form, said);
    if (form.dataset.id) tried.set(form, [...(tried.get(form) ?? []), form.dataset.id].slice(-20));
    delete form.dataset.id;
    if (fresh) delete fresh.dataset.made;
  }
  if (!("noId" in form.dataset)) body.id = form.dataset.id ??= newId();
  if (fresh) body[fresh.name] = fresh.dataset.made ??= newId();
  if ("seen" in form.dataset) body.seen = seen();
  if ("earlier" in form.dataset && tried.has(form)) body.earlier = tried.get(form);
  const answer = await send(form.dataset.api, body);
  wrote(answer);
  tried.delete(form);
  delete form.dataset.id;
  if (fresh) delete fresh.dataset.made;
  return { answer, body };
}

/** Put the question that the bench asks back before it does what a form says; asked until it is changed. */
function ask(form, problem) {
  const place = form.querySelector("[data-asked]");
  place.querySelector("[data-asked-words]").textContent = problem.message;
  place.querySelector("[data-asked-job]").href = `/jobs/${encodeURIComponent(problem.document.job)}`;
  place.querySelector("button").value = problem.document.job; // of which the person was told
  place.hidden = false;
  place.scrollIntoView({ block: "nearest" });
}

document.addEventListener("input", (event) => {
  const place = event.target.form?.querySelector("[data-asked]");
  if (place) place.hidden = true; // what is to be started now may be open nowhere
});

document.addEventListener("submit", async (event) => {
  const form = event.target;
  if (!form.dataset.api) return;
  event.preventDefault();
  if (form.dataset.busy) return;
  form.dataset.busy = "1";
  const pressed = read(form, event.submitter);
  try {
    const { answer, body } = await inTurn(() => {
      trouble("");
      return submit(form, pressed);
    });
    form.dispatchEvent(new CustomEvent("sent", { bubbles: true }));
    if (form.dataset.then) {
      const path = form.dataset.then.replace(/\{(\w+)\}/g, (_, name) =>
        encodeURIComponent(answer[name] ?? body[name]),
      );
      location.assign(path.startsWith("/") && !path.startsWith("//") ? path : "/");
      return;
    }
    form.reset(); // to what the bench said; emptied, fields would pass for what a person wants
    const details = form.closest("details");
    if (details) details.open = false;
    await refresh();
  } catch (error) {
    if (error instanceof Away) trouble("Not sent: the bench cannot be reached. Press again when it is back; it is stored once.");
    else if (error instanceof Problem && error.kind === "stale") {
      delete form.dataset.id;
      await refresh();
      trouble("Somebody acted meanwhile: look at the job as it is now, then press again if it still holds.");
    } else if (error instanceof Behind) {
      if (!told()) trouble(error.message); // the reason of what was not taken says more
    } else if (error instanceof Problem && error.kind === form.dataset.asks) {
      delete form.dataset.id;
      trouble("");
      ask(form, error);
    } else if (error instanceof Problem) {
      delete form.dataset.id;
      trouble(worded(form, error));
      await refresh(); // what was refused may be what the page shows no more
    } else throw error;
  } finally {
    delete form.dataset.busy;
  }
});
