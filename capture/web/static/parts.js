// Keeping a page up to date: the server draws it, and only the parts that differ are replaced, so
// that nobody loses the field they are typing in.

const drawn = new Map();
const LONGEST = 15_000; // of one drawing: without an end, one that hangs would be the last
const RETRY = 1000;
let running = null;
let again = false;
let retry = null;

// A press begins on one button and ends on it: were it replaced in between, the press would be lost.
let press = null;
const LONGEST_PRESS = 10_000; // one whose end was never heard of

addEventListener("pointerdown", (event) => {
  if (!event.target.closest?.("button, summary, a, label")) return; // a hand that rests on the glass
  let release;
  press = new Promise((resolve) => (release = resolve));
  const ended = () => {
    removeEventListener("pointerup", ended, true);
    removeEventListener("pointercancel", ended, true);
    setTimeout(release); // after the click that it makes
  };
  addEventListener("pointerup", ended, true);
  addEventListener("pointercancel", ended, true);
  setTimeout(release, LONGEST_PRESS);
  const mine = press;
  press.then(() => {
    if (press === mine) press = null;
  });
}, true);

function partsOf(root) {
  return Array.from(root.querySelectorAll("[data-part]"));
}

// How the server drew them, before anything here changes them.
for (const part of partsOf(document)) drawn.set(part.dataset.part, part.outerHTML);

/** Draw the page anew; calls that come meanwhile share one more drawing. */
export function refresh() {
  if (running) {
    again = true;
    return running;
  }
  running = draw().finally(() => {
    running = null;
    if (again) {
      again = false;
      refresh();
    }
  });
  return running;
}

async function draw() {
  let text;
  try {
    const signal = AbortSignal.timeout(LONGEST);
    // Nothing that was kept for times without a connection: it may be older than what is shown.
    const answer = await fetch(location.href, { headers: { Accept: "text/html" }, cache: "no-store", signal });
    if (answer.redirected) return;
    if (!answer.ok) {
      if (answer.status >= 500) drawLater(); // the stream goes on, and need not tell anything more
      return;
    }
    text = await answer.text();
  } catch {
    drawLater();
    return; // the stream says that the bench is away
  }
  if (press !== null) await press;
  const fresh = new DOMParser().parseFromString(text, "text/html");
  const main = document.getElementById("main");
  let before = null;
  const wanted = new Set();
  for (const part of partsOf(fresh)) {
    const name = part.dataset.part;
    wanted.add(name);
    const here = main.querySelector(`[data-part="${name}"]`);
    if (here && drawn.get(name) === part.outerHTML) {
      before = here;
      continue;
    }
    const made = document.importNode(part, true);
    if (here) {
      keepOpen(here, made);
      here.replaceWith(made);
    } else if (before) before.after(made);
    else main.append(made);
    drawn.set(name, part.outerHTML);
    before = made;
    made.dispatchEvent(new CustomEvent("drawn", { bubbles: true }));
  }
  for (const part of partsOf(main)) {
    if (!wanted.has(part.dataset.part)) {
      drawn.delete(part.dataset.part);
      part.remove();
    }
  }
}

/** Draw once more soon: what is shown may not be so any more. */
function drawLater() {
  retry ??= setTimeout(() => {
    retry = null;
    refresh();
  }, RETRY);
}

/** Details that a person opened stay open, and the field they are in keeps focus and text.
 *
 * A step's grid is followed by the next one's, with fields of the same names: what was taken for one pair of leads must not stand
 * there for the next. Its first value is what is typed next.
 */
function keepOpen(old, made) {
  const openNow = Array.from(old.querySelectorAll("details[open] > summary"), (each) => each.textContent);
  for (const summary of made.querySelectorAll("details > summary")) {
    if (openNow.includes(summary.textContent)) summary.parentElement.open = true;
  }
  for (const field of old.querySelectorAll("input[id], select[id]")) {
    const twin = made.querySelector("#" + CSS.escape(field.id));
    if (!twin) continue;
    const same = field.form?.dataset.draft === twin.form?.dataset.draft;
    if (same && field.tagName === "INPUT" && field.type !== "hidden" && field.type !== "file" && field.value !== field.defaultValue) {
      twin.value = field.value;
    }
    if (field !== document.activeElement) continue;
    const next = same ? twin : twin.form?.querySelector("[data-value]") ?? twin;
    requestAnimationFrame(() => next.focus());
  }
}
