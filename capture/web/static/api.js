// Talking to the bench: who we are, ids made here, problems in one line.

let session = null;

/** Give the session, asked for once; without one, the person is asked who they are. */
export async function who() {
  if (session === null) {
    const answer = await fetch("/api/session", { headers: { Accept: "application/json" } });
    if (answer.status === 401) {
      location.assign("/login?next=" + encodeURIComponent(location.pathname + location.search));
      throw new Problem({ detail: "nobody is logged in", status: 401 });
    }
    session = answer.ok ? await answer.json() : {};
  }
  return session;
}

/** Log out; what was kept of pages for times without a connection goes, drafts stay. */
export async function leave() {
  await send("/api/session", {}, "DELETE").catch(() => undefined);
  if ("caches" in window) for (const name of await caches.keys()) await caches.delete(name);
  location.assign("/login");
}

/** Ask anew who we are: the session may have ended. */
export function whoNow() {
  session = null;
  return who();
}

/** What the bench could not take: the problem document's members. */
export class Problem extends Error {
  constructor(document) {
    super(document.detail || "the bench could not take it");
    this.kind = (document.type || "").split(":").pop();
    this.status = document.status;
    this.document = document;
  }
}

/** The bench cannot be reached; what was to be sent is still here. */
export class Away extends Error {
  constructor() {
    super("the bench cannot be reached");
    this.kind = "away";
  }
}

// Longer than any answer takes; without an end, what hangs would hold up everything behind it.
const LONGEST = 60_000;

/** Send something to be written. Throws Problem or Away. */
export async function send(path, body, method = "POST") {
  const raw = body instanceof Blob;
  const headers = { Accept: "application/json" };
  if (!raw) headers["Content-Type"] = "application/json";
  let answer;
  try {
    if (path !== "/api/session" || method !== "POST") headers["Benchtally-CSRF"] = (await who()).csrf || "";
    // A photo takes as long as the network makes it take.
    const signal = raw ? undefined : AbortSignal.timeout(LONGEST);
    answer = await fetch(path, { method, headers, signal, body: raw ? body : JSON.stringify(body) });
  } catch (error) {
    if (error instanceof Problem) throw error;
    throw new Away();
  }
  const document = await answer.json().catch(() => ({}));
  if (!answer.ok) {
    if (answer.status === 401 && path !== "/api/session") {
      session = null;
      await who();
    }
    throw new Problem({ status: answer.status, ...document });
  }
  return document;
}

/** Make a UUIDv7 (RFC 9562): sorted by the time at which the person acted. */
export function newId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  let now = Date.now();
  for (let at = 5; at >= 0; at -= 1) {
    bytes[at] = now % 256;
    now = Math.floor(now / 256);
  }
  bytes[6] = 0x70 | (bytes[6] & 0x0f);
  bytes[8] = 0x80 | (bytes[8] & 0x3f);
  const hex = Array.from(bytes, (each) => each.toString(16).padStart(2, "0")).join("");
  return [8, 12, 16, 20].reduceRight((text, at) => text.slice(0, at) + "-" + text.slice(at), hex);
}

/** Whether a line of trouble is shown. */
export function told() {
  return !document.getElementById("trouble").hidden;
}

/** Show one line of trouble at the top, or take it away. */
export function trouble(text) {
  const place = document.getElementById("trouble");
  place.textContent = text || "";
  place.hidden = !text;
  if (text) place.scrollIntoView({ block: "nearest" });
}
