// What waits on this device: kept before it is sent, shown on every page of the log, sent when the network is there.

export const page = document.getElementById("log").dataset;
// By addresses that the page gives: in production the name of each file holds a hash of its content.
const { drop, keep, newKey, send, waiting } = await import(page.outbox);
export const words = Object.fromEntries(
  Object.entries(page).filter(([name]) => name.startsWith("words")).map(([name, text]) => [name.slice(5).toLowerCase(), text]),
);
const user = Number(page.user);
const form = document.getElementById("log-form");
const RETRY_MS = 15000;
const SAID = "evenfill-said";

let reached = navigator.onLine ? "yes" : "no";

// Entries of this person that wait, oldest first.
export const ownWaiting = async () => (await waiting()).filter((entry) => entry.user === user && !entry.refused);

export async function showWaiting() {
  const all = await waiting();
  const own = all.filter((entry) => entry.user === user && !entry.refused);
  const refused = all.filter((entry) => entry.user === user && entry.refused);
  const said = [own.length === 0 ? words.none : own.length === 1 ? words.one : words.many.replace("{n}", own.length)];
  if (reached === "no" || !navigator.onLine) said.unshift(words.offline);
  if (reached === "signed out") said.push(words.signedout);
  if (all.some((entry) => entry.user !== user)) said.push(words.other);
  if (refused.length) said.push(words.refused.replace("{n}", refused.length));
  const state = document.getElementById("log-state");
  state.closest(".log-bar").hidden = false;
  if (state.textContent !== said.join(" ")) state.textContent = said.join(" ");
  showList(own);
  showSlots(own);
  showRefused(refused);
  document.dispatchEvent(new CustomEvent("waiting-shown", { detail: own }));
}

// What no slot of the page stands for. A case that was added here is a slot of its own until the site has it.
function showList(own) {
  const list = document.getElementById("log-waiting");
  const slots = [...document.querySelectorAll("[data-slot]")].filter((slot) => !list.contains(slot));
  const told = new Set([...slots.map((slot) => slot.dataset.slot), ...own.filter((one) => one.added).map((one) => one.key)]);
  const rows = own.filter((entry) => !told.has(entry.caseId) && entry.key !== form?.dataset.case);
  const shown = rows.map((entry) => entry.key).join(" ");
  list.hidden = !rows.length;
  if (list.dataset.shown === shown) return;
  list.dataset.shown = shown;
  list.replaceChildren(...rows.map((entry) => (entry.added ? addedSlot(entry) : waitingLine(entry))));
}

function addedSlot(entry) {
  const row = document.getElementById("added-slot").content.firstElementChild.cloneNode(true);
  const link = row.querySelector("a");
  link.href = addedPage(entry);
  link.dataset.slot = entry.key;
  link.querySelector(".slot-what").textContent = entry.label;
  link.querySelector(".slot-state").textContent = words.added;
  return row;
}

function waitingLine(entry) {
  const row = document.createElement("li");
  row.className = "waiting-line";
  row.append(`${entry.label}: ${words.waits} `, act(words.drop, () => drop(entry.key)));
  return row;
}

// The page on this device that stands for a case which the site does not have yet.
export const addedPage = (entry) => `${entry.added.page}#${entry.key}`;

function showSlots(own) {
  const waits = new Set(own.map((entry) => entry.caseId).filter(Boolean));
  for (const slot of document.querySelectorAll("[data-slot]")) {
    const state = slot.querySelector(".slot-state");
    if (waits.has(slot.dataset.slot)) {
      slot.dataset.waits = "";
      state.dataset.before ??= state.textContent;
      state.textContent = words.logwaits;
    } else if ("waits" in slot.dataset) {
      delete slot.dataset.waits;
      state.textContent = state.dataset.before;
    }
  }
  const note = document.getElementById("log-waits");
  if (!note || !form?.hasAttribute("action")) return;
  const entry = own.find((one) => one.caseId && one.caseId === form.dataset.case);
  note.hidden = !entry;
  form.hidden = document.querySelector(".log-bar [type=submit]").hidden = Boolean(entry);
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
    item.append(`${entry.label}: ${entry.refused === true ? words.gone : entry.refused} `);
    item.append(act(words.drop, () => drop(entry.key)), " ", act(words.again, async () => {
      await keep({ ...entry, refused: "" });
      await trySending();
    }));
    if (entry.caseId) {
      // The same pieces under a key of their own: what was refused may have been another entry's key.
      const more = { ...entry, key: newKey(), refused: "", fields: [...entry.fields, ["in_addition", "1"]] };
      item.append(" ", act(words.add, async () => {
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

export async function trySending() {
  const result = await send(page.token);
  reached = result.reached;
  await showWaiting();
  return result;
}

// What was sent while a case's page stood changes what the page should say; what a hand changed there stays.
async function sendAndShow() {
  const { answers } = await trySending();
  const recorded = [...answers.values()].some((answer) => answer.status < 300);
  if (recorded && page.case && !document.querySelector(".log-bar [type=reset]:not([hidden])")) location.reload();
}

// Keep what a form holds, then send it. `more` may name further `fields`, a `label`, `added` (the slot that the entry
// makes), `after` (the entry that must come before); `goOn` says where to be while it waits.
export async function keepEntry(kept, more = {}, goOn = () => goTo(page.room)) {
  if (kept.dataset.busy) return;
  kept.dataset.busy = "1";
  const fields = [...new FormData(kept)].filter(
    ([name, value]) => name !== "csrfmiddlewaretoken" && !(/^(used|unused)-/.test(name) && Number(value) === 0),
  );
  const entry = {
    key: newKey(), user, url: kept.getAttribute("action"), label: kept.dataset.label, caseId: kept.dataset.case || "",
    enteredAt: Date.now(), ...more, fields: [...fields, ...(more.fields || [])],
  };
  await keep(entry);
  const { answers } = await trySending();
  const answer = answers.get(entry.key);
  if (answer?.status < 300) {
    if ("say" in kept.dataset) sessionStorage.setItem(SAID, answer.body.said);
    return location.assign(answer.body.next);
  }
  delete kept.dataset.busy;
  if (answer) document.getElementById("log-refused").scrollIntoView({ block: "center" });
  else await goOn(entry);
}

// Take back a case that only this device has, with whatever was logged of it.
export async function dropAdded(key) {
  for (const entry of await waiting()) if (entry.key === key || entry.after === key) await drop(entry.key);
  await showWaiting();
}

// Go to a page where there is one to go to: from the network, or kept while there was network.
export async function goTo(address) {
  if (reached === "yes" || (await caches.match(address))) location.assign(address);
}

// Without network: the next slot that is neither logged nor waits.
export async function goToNextSlot() {
  const slots = [...document.querySelectorAll(".slot-list [data-slot]:not([data-logged]):not([data-waits])")];
  const next = slots.find((slot) => slot.dataset.slot !== page.case);
  if (next) await goTo(next.href);
}

for (const kept of document.querySelectorAll("form[data-keep]")) {
  kept.addEventListener("submit", (event) => {
    event.preventDefault();
    keepEntry(kept, {}, "say" in kept.dataset ? undefined : goToNextSlot);
  });
}

const said = sessionStorage.getItem(SAID);
if (said) {
  sessionStorage.removeItem(SAID);
  const note = document.getElementById("log-said");
  note.querySelector("li").textContent = said;
  note.hidden = false;
}

window.addEventListener("online", sendAndShow);
window.addEventListener("offline", showWaiting);
document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && sendAndShow());
setInterval(async () => (await waiting()).length && sendAndShow(), RETRY_MS);
await showWaiting();
// Nobody waits for this: a page has to answer to fingers long before a bad network does.
export const sentOnOpening = sendAndShow();
