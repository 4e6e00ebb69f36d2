{% load static %}{% url 'sign-out' as sign_out %}{% url 'log' as log %}// Keeps the log's pages and files on the device. The network comes first; what was kept answers where it fails.
// Only today's slots of the rooms that this device opened, and the catalogue: nothing about a patient is in them.

const FILES = {{ files|safe }};
const FILES_KEPT = "evenfill-files";
const PAGES_KEPT = "evenfill-pages";
const LOG = "{{ log }}";
const SIGN_OUT = "{{ sign_out }}";
const PATIENCE_MS = 3000;
const YOUNG_MS = 300000; // a page kept so recently is not asked for again

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(FILES_KEPT).then((kept) => kept.addAll(FILES)).then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  event.waitUntil(dropOldFiles().then(() => self.clients.claim()));
});

async function dropOldFiles() {
  const kept = await caches.open(FILES_KEPT);
  const current = new Set(FILES.map((file) => new URL(file, location.href).href));
  for (const request of await kept.keys()) if (!current.has(request.url)) await kept.delete(request);
}

self.addEventListener("message", (event) => {
  if (event.data.keep) event.waitUntil(keepOnly(event.data.keep, event.data.also));
});

// One after the other: a phone in a lift has better things to do.
async function keepOnly(pages, also) {
  const kept = await caches.open(PAGES_KEPT);
  const wanted = new Set([...pages, ...also]);
  for (const request of await kept.keys()) if (!wanted.has(new URL(request.url).pathname)) await kept.delete(request);
  for (const path of wanted) {
    const known = await kept.match(path);
    if (known && Date.now() - Date.parse(known.headers.get("Date")) < YOUNG_MS) continue;
    try {
      await put(kept, path, await fetch(path, { credentials: "same-origin" }));
    } catch {
      return;
    }
  }
}

const put = (kept, path, answer) => (answer.ok && !answer.redirected ? kept.put(path, answer) : undefined);

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (url.origin !== location.origin) return;
  if (request.method === "POST" && url.pathname === SIGN_OUT) {
    event.waitUntil(caches.delete(PAGES_KEPT));
  } else if (request.method === "GET" && FILES.includes(url.pathname)) {
    event.respondWith(freshOrKept(request, FILES_KEPT, url.pathname));
  } else if (request.method === "GET" && url.pathname.startsWith(LOG) && request.cache !== "no-store") {
    event.respondWith(freshOrKept(request, PAGES_KEPT, url.pathname));
  }
});

async function freshOrKept(request, name, path) {
  const kept = await caches.open(name);
  const known = await kept.match(path);
  const fresh = fetch(request).then((answer) => {
    if (known && !new URL(request.url).search) put(kept, path, answer.clone());
    return answer;
  });
  if (!known) return fresh.catch(async (problem) => (await lastPage(kept, request)) || Promise.reject(problem));
  let timer;
  const impatient = new Promise((resolve) => { timer = setTimeout(() => resolve(known.clone()), PATIENCE_MS); });
  return Promise.race([fresh.catch(() => known), impatient]).finally(() => clearTimeout(timer));
}

// A page that was never opened cannot be shown; the room that was open last can.
const lastPage = async (kept, request) => (request.mode === "navigate" ? kept.match(LOG) : undefined);
