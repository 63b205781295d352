// A photo of a label names a machine: the page goes to it, or chooses it in a form.

import { Away, send } from "./api.js";

document.addEventListener("change", async (event) => {
  const field = event.target;
  if (!field.matches("[data-label]") || !field.files.length) return;
  const place = field.parentElement.querySelector("[data-label-said]");
  place.textContent = "looking for a code …";
  try {
    const { machine } = await send("/api/labels", field.files[0]);
    place.textContent = `${machine}`;
    const choice = field.dataset.label && document.getElementById(field.dataset.label);
    if (choice) choice.value = machine;
    else location.assign(`/machines/${encodeURIComponent(machine)}`);
  } catch (error) {
    place.textContent = error instanceof Away ? "The bench cannot be reached; choose it again later." : error.message;
  }
  field.value = "";
});
