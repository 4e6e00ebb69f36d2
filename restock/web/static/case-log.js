// The page on which a case is logged: steppers, lines added by scan or name, and entries that wait without network.

const page = document.getElementById("log").dataset;
// By addresses that the page gives: in production the name of each file holds a hash of its content.
const [{ drop, keep, newKey, send, waiting }, { addSteppers }] = await Promise.all(
  [page.outbox, page.steppers].map((file) => import(file)),
);
const words = Object.fromEntries(
  Object.entries(page).filter(([name]) => name.startsWith("words")).map(([name, text]) => [name.slice(5).toLowerCase(), text]),
);
const user = Number(page.user);
const form = document.getElementById("log-form");
const bar = document.querySelector(".log-bar");
const submit = bar.querySelector("[type=submit]");
const RETRY_MS = 15000;

// What waits ----------------------------------------------------------------------------------------------

let reached = navigator.onLine ? "yes" : "no";

async function showWaiting() {
  const all = await waiting();
  const own = all.filter((entry) => entry.user === user && !entry.refused);
  const said = [own.length === 0 ? words.none : own.length === 1 ? words.one : words.many.replace("{n}", own.length)];
  if (reached === "no" || !navigator.onLine) said.unshift(words.offline);
  if (reached === "signed out") said.push(words.signedout);
  if (all.some((entry) => entry.user !== user)) said.push(words.other);
  const state = document.getElementById("log-state");
  if (state && state.textContent !== said.join(" ")) state.textContent = said.join(" ");
  showSlots(own);
  showRefused(all.filter((entry) => entry.user === user && entry.refused));
}

function showSlots(own) {
  const waits = new Set(own.map((entry) => entry.caseId).filter(Boolean));
  for (const slot of document.querySelectorAll("[data-slot]")) {
    const state = slot.querySelector(".slot-state");
    if (waits.has(slot.dataset.slot)) {
      slot.dataset.waits = "";
      state.dataset.before ??= state.textContent;
      state.textContent = words.waits;
    } else if ("waits" in slot.dataset) {
      delete slot.dataset.waits;
      state.textContent = state.dataset.before;
    }
  }
  const note = document.getElementById("log-waits");
  if (!note || !form) return;
  const entry = own.find((one) => one.caseId === form.dataset.case);
  note.hidden = !entry;
  form.hidden = submit.hidden = Boolean(entry);
  note.querySelector("button").onclick = async () => {
    await drop(entry.key);
    await showWaiting();
  };
}

function showRefused(entries) {
  const list = document.getElementById("log-refused");
  list.hidden = !entries.length;
  list.replaceChildren(...entries.map((entry) => {
    const item = document.createElement("li");
    item.append(`${entry.label}: ${entry.refused} `);
    item.append(act(words.drop, () => drop(entry.key)));
    if (entry.caseId) {
      // The same pieces under a key of their own: what was refused may have been another entry's key.
      const more = { ...entry, key: newKey(), refused: "", fields: [...entry.fields, ["in_addition", "1"]] };
      item.append(act(words.add, async () => {
        await keep(more);
        await drop(entry.key);
        await trySending();
      }));
    }
    return item;
  }));
}

function act(word, does) {
  const button = document.createElement("button");
  button.type = "button";
  button.className = "link-button";
  button.textContent = word;
  button.addEventListener("click", async () => {
    await does();
    await showWaiting();
  });
  return button;
}

async function trySending() {
  const result = await send(page.token);
  reached = result.reached;
  await showWaiting();
  return result;
}

// Keeping an entry before it is sent ----------------------------------------------------------------------

for (const kept of document.querySelectorAll("form[data-keep]")) {
  kept.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (kept.dataset.busy) return;
    kept.dataset.busy = "1";
    const fields = [...new FormData(kept)].filter(
      ([name, value]) => name !== "csrfmiddlewaretoken" && !(/^(used|unused)-/.test(name) && Number(value) === 0),
    );
    const entry = {
      key: newKey(), user, url: kept.getAttribute("action"), fields, label: kept.dataset.label,
      caseId: kept.dataset.case || "", enteredAt: Date.now(),
    };
    await keep(entry);
    const { answers } = await trySending();
    const answer = answers.get(entry.key);
    if (answer?.status < 300) return location.assign(answer.body.next);
    delete kept.dataset.busy;
    if (!answer) await goOn();
  });
}

// Without network: the next slot that is neither logged nor waits, where its page was kept while there was network.
async function goOn() {
  const slots = [...document.querySelectorAll(".slot-list [data-slot]:not([data-logged]):not([data-waits])")];
  const next = slots.find((slot) => slot.dataset.slot !== page.case);
  if (next && (reached === "yes" || (await caches.match(next.pathname)))) location.assign(next.href);
}

// The set-up and what differs from it ---------------------------------------------------------------------

function describe() {
  const inputs = [...form.querySelectorAll("input[type=number]")];
  const changed = inputs.some((input) => input.value !== input.defaultValue) || form.querySelector("[data-added]");
  const pieces = inputs.reduce((sum, input) => sum + (Number(input.value) || 0), 0);
  const [label, count] = submit.querySelectorAll("span");
  if (!label) return;
  label.textContent = changed ? words.changed : words.setup;
  count.textContent = words.pieces.replace("{n}", pieces);
  bar.querySelector("[type=reset]").hidden = !changed;
}

if (form) {
  addSteppers(form, words);
  form.addEventListener("input", describe);
  form.addEventListener("reset", () => {
    form.querySelectorAll("[data-added]").forEach((row) => row.remove());
    setTimeout(describe);
  });
  describe();
  addLines();
}

function addLines() {
  const asked = document.querySelector(".add-line");
  const field = document.getElementById("add-line");
  const unknown = document.getElementById("add-line-unknown");
  const catalogue = fetch(page.lines).then((answer) => answer.json()).then((body) => body.lines).catch(() => []);
  catalogue.then((lines) => document.getElementById("add-line-known").replaceChildren(
    ...lines.map((line) => Object.assign(document.createElement("option"), { value: line.label })),
  ));
  asked.addEventListener("submit", async (event) => {
    event.preventDefault();
    const line = find(await catalogue, field.value.trim());
    unknown.hidden = Boolean(line);
    unknown.textContent = words.unknown;
    if (!line) return field.select();
    field.value = "";
    addPiece(line);
  });
}

function addPiece(line) {
  let input = form.elements[`used-${line.id}`];
  if (input) {
    input.value = Number(input.value) + 1;
    for (let at = input.closest("details"); at; at = at.parentElement.closest("details")) at.open = true;
  } else {
    const row = document.getElementById("use-row").content.firstElementChild.cloneNode(true);
    row.dataset.added = "";
    row.querySelector(".use-name").textContent = line.label;
    for (const name of ["used", "unused"]) {
      const cell = row.querySelector(`[data-${name}]`);
      cell.name = `${name}-${line.id}`;
      cell.setAttribute("aria-label", `${cell.getAttribute("aria-label")}: ${line.label}`);
    }
    addSteppers(row, words);
    form.append(row);
    input = row.querySelector("[data-used]");
  }
  describe();
  input.scrollIntoView({ block: "center" });
}

// The item in a scan: a symbology identifier (ISO/IEC 15424) may come first, then GS1's 01 with 14 digits, a GS1
// Digital Link, an HIBC code or a label printed here. Lots and serial numbers are left unread: a log needs neither.
function itemIn(typed) {
  const scan = typed.replace(/^\][A-Za-z]\d/, "");
  const gs1 = /^[({]?01[)}]?(\d{14})/.exec(scan) || /^https?:.*\/01\/(\d{8,14})/i.exec(scan);
  const hibc = /^\*?(\+[A-Z0-9]+\d)(?:\/|.\*?$)/.exec(scan);
  const label = /^(?:91)?EVENFILL:(?:BIN|LOT):([^/]+)/.exec(scan);
  return gs1?.[1] ?? hibc?.[1] ?? (label ? decodeURIComponent(label[1]) : scan);
}

function find(lines, typed) {
  const item = itemIn(typed);
  const barcode = item.padStart(14, "0");
  const wanted = item.toLowerCase();
  return lines.find((line) => line.code.toLowerCase() === wanted || line.label.toLowerCase() === wanted)
    || lines.find((line) => line.barcodes.some((one) => one === item || (one[0] === "+" && one.slice(0, -1) === item) || one.padStart(14, "0") === barcode))
    || (wanted && only(lines.filter((line) => wanted.split(/\s+/).every((word) => line.label.toLowerCase().includes(word)))));
}

const only = (found) => (found.length === 1 ? found[0] : undefined);

// A page for when there is no network ----------------------------------------------------------------------

async function keepPages() {
  if (!("serviceWorker" in navigator)) return;
  await navigator.serviceWorker.register(page.worker);
  const { active } = await navigator.serviceWorker.ready;
  const slots = [...document.querySelectorAll(".slot-list [data-slot]:not([data-logged])")].map((slot) => slot.pathname);
  active.postMessage({ keep: [...new Set(["/log/", page.room, ...slots])], also: [page.lines] });
}

window.addEventListener("online", trySending);
window.addEventListener("offline", showWaiting);
document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && trySending());
setInterval(async () => (await waiting()).length && trySending(), RETRY_MS);
await showWaiting();

await trySending();
// The room's page was kept with a case open that has been logged since, on this very device.
if (form?.hidden && location.pathname === page.room) await goOn();
await keepPages();
