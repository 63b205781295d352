// The stream of what changes, and what the person is told of the connection.

import { whoNow } from "./api.js";
import { refresh } from "./parts.js";
import { taken } from "./sound.js";

const KINDS = ["reading", "tag", "gap", "machine", "job", "result", "record", "instrument", "watch"];
const REDRAW = 15_000;
let timer = null;
let source = null;
// Entry up to which this page was told; one that knows of none begins with what comes.
let newest = "after" in document.body.dataset ? Number(document.body.dataset.after) : null;
const listeners = new Set();

/** Call `listener` whenever the bench is reached again. */
export function whenBack(listener) {
  listeners.add(listener);
}

function say(text, mark) {
  const place = document.getElementById("connection");
  if (place.textContent !== text) place.textContent = text;
  place.className = "mark " + mark;
  // What stands on the page is no longer what is: said in sight of whoever looks at the value.
  document.body.classList.toggle("away", mark === "mark-bad");
}

function soon(delay) {
  if (timer === null) {
    timer = setTimeout(() => {
      timer = null;
      refresh();
    }, delay);
  }
}

/** Follow the bench, from where this page was told last. */
export function follow() {
  const job = document.body.dataset.job;
  source = new EventSource("/api/events?" + (newest === null ? "" : `after=${newest}`) + (job ? `&job=${job}` : ""));
  let lost = false;
  source.addEventListener("open", () => {
    say("connected", "mark-good");
    if (lost) refresh();
    lost = false;
    for (const listener of listeners) listener();
  });
  source.addEventListener("error", () => {
    lost = true;
    say("not connected: what you type is kept here", "mark-bad");
    if (source.readyState === EventSource.CLOSED) {
      setTimeout(() => {
        whoNow().catch(() => undefined);
        follow();
      }, 3000);
    }
  });
  for (const kind of KINDS) {
    source.addEventListener(kind, (event) => {
      newest = Math.max(newest ?? 0, Number(event.lastEventId || 0)) || newest;
      if (kind === "job") {
        const entry = JSON.parse(event.data);
        if (entry.event.action === "taken" && (!job || entry.job === job)) taken();
        refresh();
      } else soon(kind === "reading" || kind === "watch" || kind === "instrument" ? 250 : 50);
    });
  }
}

// What no entry tells of, such as delivery: looked at again now and then, by whom it is shown.
setInterval(() => {
  if (document.visibilityState === "visible" && document.querySelector("[data-redraw]")) refresh();
}, REDRAW);

addEventListener("pagehide", () => source && source.close());
addEventListener("pageshow", (event) => {
  if (event.persisted) {
    refresh();
    follow();
  }
});
