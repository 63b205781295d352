// The stream of what changes, and what the person is told of the connection.

import { whoNow } from "./api.js";
import { refresh } from "./parts.js";
import { taken } from "./sound.js";

const KINDS = ["reading", "tag", "gap", "machine", "job", "result", "instrument", "watch"];
let timer = null;
let source = null;
const listeners = new Set();

/** Call `listener` whenever the bench is reached again. */
export function whenBack(listener) {
  listeners.add(listener);
}

function say(text, mark) {
  const place = document.getElementById("connection");
  if (place.textContent !== text) place.textContent = text;
  place.className = "mark " + mark;
}

function soon(delay) {
  if (timer === null) {
    timer = setTimeout(() => {
      timer = null;
      refresh();
    }, delay);
  }
}

/** Follow the bench. `kinds` are those that this page shows. */
export function follow(kinds = KINDS) {
  const after = Number(document.body.dataset.after || 0);
  const job = document.body.dataset.job;
  source = new EventSource(`/api/events?after=${after}` + (job ? `&job=${job}` : ""));
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
        follow(kinds);
      }, 3000);
    }
  });
  for (const kind of kinds) {
    source.addEventListener(kind, (event) => {
      if (kind === "job") {
        const entry = JSON.parse(event.data);
        if (entry.event.action === "taken" && (!job || entry.job === job)) taken();
        refresh();
      } else soon(kind === "reading" || kind === "watch" || kind === "instrument" ? 250 : 50);
    });
  }
}

addEventListener("pagehide", () => source && source.close());
addEventListener("pageshow", (event) => {
  if (event.persisted) {
    refresh();
    follow();
  }
});
