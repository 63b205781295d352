// Keeps the last pages and their parts, so that a reload without a connection still shows the job
// and what was typed. The bench is always asked first.

const CACHE = "benchtally-1";

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));
self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  const ours = event.request.method === "GET" && url.origin === location.origin;
  if (!ours || url.pathname.startsWith("/api/") || url.pathname === "/health" || url.pathname === "/login") return;
  event.respondWith(answer(event.request));
});

async function answer(request) {
  const cache = await caches.open(CACHE);
  try {
    const fresh = await fetch(request);
    if (fresh.ok && !fresh.redirected) await cache.put(request, fresh.clone());
    return fresh;
  } catch (error) {
    const kept = request.cache === "no-store" ? undefined : await cache.match(request);
    if (kept) return kept;
    throw error;
  }
}
