// Entries that wait on this device until the site has them: kept before they are sent, dropped once they are
// recorded. The key of an entry makes sending it twice harmless. An entry is sent only in the session of the person
// who made it. Nothing here is about a patient: a case is a slot.

const OPENED = openDatabase();

function openDatabase() {
  return new Promise((resolve, reject) => {
    const request = indexedDB.open("evenfill", 1);
    request.onupgradeneeded = () => request.result.createObjectStore("entries", { keyPath: "key" });
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

async function entries(mode, act) {
  const transaction = (await OPENED).transaction("entries", mode, { durability: "strict" });
  const request = act(transaction.objectStore("entries"));
  return new Promise((resolve, reject) => {
    transaction.oncomplete = () => resolve(request.result);
    transaction.onerror = transaction.onabort = () => reject(transaction.error);
  });
}

// entry: { key, user, url, fields: [[name, value], ...], label, caseId, enteredAt }, and where it is so `added` (the slot
// that it makes), `after` (key of the entry that made its slot), `refused` (why, or true where the site said no words)
export const keep = (entry) => entries("readwrite", (store) => store.put(entry));
export const drop = (key) => entries("readwrite", (store) => store.delete(key));

export async function waiting() {
  const all = await entries("readonly", (store) => store.getAll());
  // What makes a slot comes before what was logged of it, even where the device's clock was set back between them.
  return all.sort((one, other) => Boolean(one.after) - Boolean(other.after) || one.enteredAt - other.enteredAt);
}

export function newKey() {
  return crypto.randomUUID();
}

// Send what this person's session may send, oldest first. Resolves to { answers: Map(key -> answer), reached, user }:
// `reached` is "yes", "no" (no network) or "signed out".
export function send(tokenUrl) {
  // One page at a time: two tabs would only ask twice for the same, but their answers would cross.
  return navigator.locks.request("evenfill-send", () => sendAll(tokenUrl));
}

async function sendAll(tokenUrl) {
  const answers = new Map();
  const all = (await waiting()).filter((entry) => !entry.refused);
  if (!all.length) return { answers, reached: "yes", user: null };
  const standing = await ask(tokenUrl);
  if (standing.reached !== "yes") return { answers, reached: standing.reached, user: null };
  const { user, token } = standing.body;
  for (const entry of all.filter((one) => one.user === user)) {
    const body = new URLSearchParams(entry.fields);
    body.set("key", entry.key);
    body.set("waited_seconds", String(Math.max(0, (Date.now() - entry.enteredAt) / 1000)));
    const answer = await ask(entry.url, { method: "POST", body, headers: { "X-CSRFToken": token } });
    if (answer.reached !== "yes") return { answers, reached: answer.reached, user };
    if (answer.status < 300) {
      await drop(entry.key);
    } else if ([400, 404, 409].includes(answer.status)) {
      await keep({ ...entry, refused: answer.body.said || true });
    } else {
      return { answers, reached: "no", user };
    }
    answers.set(entry.key, answer);
  }
  return { answers, reached: "yes", user };
}

const PATIENCE_MS = 8000;

async function ask(url, options = {}) {
  const headers = { Accept: "application/json", ...options.headers };
  try {
    const answer = await fetch(url, {
      ...options, headers, redirect: "manual", cache: "no-store", signal: AbortSignal.timeout(PATIENCE_MS),
    });
    if (answer.type === "opaqueredirect") return { reached: "signed out" };
    const isJson = (answer.headers.get("Content-Type") || "").includes("json");
    return { reached: "yes", status: answer.status, body: isJson ? await answer.json() : {} };
  } catch {
    return { reached: "no" };
  }
}
