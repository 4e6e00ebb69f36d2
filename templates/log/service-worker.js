{% load static %}{% url 'sign-out' as sign_out %}{% url 'log' as log %}// Keeps the log's pages and files on the device. The network comes first; what was kept answers where it fails.
// Only today's slots of the rooms that this device opened, and the catalogue: nothing about a patient is in them.

const FILES = {{ files|safe }};
const FILES_KEPT = "evenfill-files";
const PAGES_KEPT = "evenfill-pages";
const LOG = "{{ log }}";
const SIGN_OUT = "{{ sign_out }}";
const PATIENCE_MS = 3000;
const YOUNG_MS = 300000; // a page kept so recently is not asked for again
const CATALOGUE_YOUNG_MS = 3600000; // nor are lines and set-ups, which change by the week
const OLD_MS = 86400000; // a room whose page is older is of another day

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
  if (event.data.keep) event.waitUntil(keepRoom(event.data));
});

// Each room that this device opened has a store of its own; one that nobody opened for a while is let go.
async function keepRoom({ room, keep, also }) {
  await keepOnly(`${PAGES_KEPT} ${room}`, keep);
  await keepOnly(PAGES_KEPT, also);
  for (const name of await roomsKept()) {
    const page = await (await caches.open(name)).match(name.slice(PAGES_KEPT.length + 1));
    if (!page || age(page) > OLD_MS) await caches.delete(name);
  }
}

const roomsKept = async () => (await caches.keys()).filter((name) => name.startsWith(`${PAGES_KEPT} `));
const age = (answer) => Date.now() - Date.parse(answer.headers.get("Date"));

// One after the other: a phone in a lift has better things to do.
async function keepOnly(name, pages) {
  const kept = await caches.open(name);
  const wanted = new Set(pages);
  for (const request of await kept.keys()) if (!wanted.has(new URL(request.url).pathname)) await kept.delete(request);
  for (const path of wanted) {
    const known = await kept.match(path);
    if (known && age(known) < (path.endsWith(".json") ? CATALOGUE_YOUNG_MS : YOUNG_MS)) continue;
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
    event.waitUntil(dropPages());
  } else if (request.method === "GET" && FILES.includes(url.pathname)) {
    event.respondWith(caches.open(FILES_KEPT).then((kept) => freshOrKept(request, kept, url.pathname)));
  } else if (request.method === "GET" && url.pathname.startsWith(LOG) && request.cache !== "no-store") {
    event.respondWith(storeOf(url.pathname).then((kept) => freshOrKept(request, kept, url.pathname)));
  }
});

async function dropPages() {
  for (const name of [PAGES_KEPT, ...(await roomsKept())]) await caches.delete(name);
}

// The store that has a page, or the one for pages of no room.
async function storeOf(path) {
  for (const name of await roomsKept()) {
    const kept = await caches.open(name);
    if (await kept.match(path)) return kept;
  }
  return caches.open(PAGES_KEPT);
}

async function freshOrKept(request, kept, path) {
  const known = await kept.match(path);
  const fresh = fetch(request).then((answer) => {
    if (known && !new URL(request.url).search) put(kept, path, answer.clone());
    return answer;
  });
  if (!known) return fresh.catch(async (problem) => (await lastPage(request)) || Promise.reject(problem));
  let timer;
  const impatient = new Promise((resolve) => { timer = setTimeout(() => resolve(known.clone()), PATIENCE_MS); });
  return Promise.race([fresh.catch(() => known), impatient]).finally(() => clearTimeout(timer));
}

// A page that was never opened cannot be shown. The room that was open last can, under its own address and with a word
// about it: whoever wants another room must not log there.
const lastPage = async (request) =>
  request.mode === "navigate" && (await caches.match(LOG)) ? Response.redirect(`${LOG}#not-kept`) : undefined;
