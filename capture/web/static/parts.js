// Keeping a page up to date: the server draws it, and only the parts that differ are replaced, so
// that nobody loses the field they are typing in.

const drawn = new Map();
let running = null;
let again = false;

function partsOf(root) {
  return Array.from(root.querySelectorAll("[data-part]"));
}

/** Remember how the parts were drawn. */
export function remember() {
  for (const part of partsOf(document)) drawn.set(part.dataset.part, part.outerHTML);
}

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
    const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
    if (!answer.ok || answer.redirected) return;
    text = await answer.text();
  } catch {
    return; // the stream says that the bench is away
  }
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

/** Details that a person opened stay open, and the field they are in keeps focus and text. */
function keepOpen(old, made) {
  const openNow = Array.from(old.querySelectorAll("details[open] > summary"), (each) => each.textContent);
  for (const summary of made.querySelectorAll("details > summary")) {
    if (openNow.includes(summary.textContent)) summary.parentElement.open = true;
  }
  for (const field of old.querySelectorAll("input[id], select[id]")) {
    const twin = made.querySelector("#" + CSS.escape(field.id));
    if (twin && field.type !== "hidden" && field.type !== "file" && field.value !== field.defaultValue) {
      if (field.tagName === "INPUT") twin.value = field.value;
    }
    if (twin && field === document.activeElement) requestAnimationFrame(() => twin.focus());
  }
}
