// What every page does: follows the bench, tells ages, sends forms, keeps drafts.

import "./parts.js"; // first: it remembers how the server drew the page
import { leave, who } from "./api.js";
import "./draft.js";
import "./numbers.js"; // before what sends forms: it stops one whose numbers nobody can read
import "./forms.js";
import "./keypad.js";
import "./keying.js";
import "./label.js";
import { follow } from "./live.js";
import "./sound.js";

function ages() {
  const now = Date.now();
  for (const place of document.querySelectorAll("time[data-age]")) {
    const seconds = Math.max(0, (now - Date.parse(place.dateTime)) / 1000);
    const text = seconds < 2 ? "now" : seconds < 120 ? `${Math.round(seconds)} s ago` : seconds < 7200 ? `${Math.round(seconds / 60)} min ago` : place.dateTime.slice(0, 16).replace("T", " ") + " UTC";
    if (place.textContent !== text) place.textContent = text;
  }
  for (const place of document.querySelectorAll("[data-until]")) {
    const left = Math.ceil((Date.parse(place.dataset.until) - now) / 1000);
    const text = left > 0 ? `${Math.floor(left / 60)} min ${String(left % 60).padStart(2, "0")} s still to wait` : "The time is over.";
    if (place.textContent !== text) place.textContent = text;
  }
}

const leaving = document.getElementById("leave");
if (leaving) leaving.addEventListener("click", leave);

ages();
setInterval(ages, 1000);
document.addEventListener("drawn", ages);
if (!location.pathname.startsWith("/login")) {
  // Without a connection the page still waits for one.
  who().catch(() => undefined).then(() => follow());
  if ("serviceWorker" in navigator && window.isSecureContext) navigator.serviceWorker.register("/sw.js").catch(() => undefined);
}
