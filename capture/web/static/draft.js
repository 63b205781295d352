// What is typed is kept on this device until the bench has taken it: a reload, an empty battery or a
// lost connection loses nothing.

const PREFIX = "benchtally/draft/";

/** Give what was kept for a form; an empty object where nothing was. */
export function held(name) {
  try {
    return JSON.parse(localStorage.getItem(PREFIX + name)) || {};
  } catch {
    return {};
  }
}

/** Keep members of a form's draft. */
export function keep(name, members) {
  localStorage.setItem(PREFIX + name, JSON.stringify({ ...held(name), ...members }));
}

/** The bench has taken it. */
export function forget(name) {
  localStorage.removeItem(PREFIX + name);
}

function fields(form) {
  return Array.from(form.querySelectorAll("input[id], select[id]")).filter(
    (each) => each.type !== "file" && each.type !== "hidden",
  );
}

function restore(form) {
  const kept = held(form.dataset.draft).fields || {};
  for (const field of fields(form)) {
    if (field.id in kept) field.value = kept[field.id];
  }
}

function restoreAll(root) {
  for (const form of root.querySelectorAll("form[data-draft]")) restore(form);
}

document.addEventListener("input", (event) => {
  const form = event.target.closest("form[data-draft]");
  if (form) keep(form.dataset.draft, { fields: Object.fromEntries(fields(form).map((each) => [each.id, each.value])) });
});
document.addEventListener("sent", (event) => {
  if (event.target.dataset.draft) forget(event.target.dataset.draft);
});
document.addEventListener("drawn", (event) => restoreAll(event.target));
restoreAll(document);
