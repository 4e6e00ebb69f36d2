// The page on which a case is logged: steppers, lines added by scan or name, and the pages kept for want of network.

const files = document.getElementById("log").dataset;
const [{ goToNextSlot, page, sentOnOpening, words }, { find, offer, readLines }, { addSteppers }] =
  await Promise.all([files.entries, files.catalogue, files.steppers].map((file) => import(file)));
const form = document.getElementById("log-form");
const bar = document.querySelector(".log-bar");

// The set-up and what differs from it ---------------------------------------------------------------------

export function describe() {
  const inputs = [...form.querySelectorAll("input[type=number]")];
  const changed = inputs.some((input) => input.value !== input.defaultValue) || form.querySelector("[data-added]");
  const pieces = inputs.reduce((sum, input) => sum + (Number(input.value) || 0), 0);
  const [label, count] = bar.querySelectorAll("[type=submit] > span");
  if (!label) return;
  label.textContent = changed ? words.changed : words.setup;
  count.textContent = words.pieces.replace("{n}", pieces);
  bar.querySelector("[type=reset]").hidden = !changed;
}

function addLines() {
  const asked = document.querySelector(".add-line");
  const field = document.getElementById("add-line");
  const unknown = document.getElementById("add-line-unknown");
  const catalogue = readLines(page.lines);
  catalogue.then((lines) => offer(lines, document.getElementById("add-line-known")));
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
    const row = pieceRow(line);
    row.dataset.added = "";
    form.append(row);
    input = row.querySelector("[data-used]");
  }
  describe();
  input.scrollIntoView({ block: "center" });
}

// A row for a line that the page does not show yet.
export function pieceRow(line, pieces = 1) {
  const row = document.getElementById("use-row").content.firstElementChild.cloneNode(true);
  row.querySelector(".use-name").textContent = line.label;
  return withFields(row, line, pieces);
}

// One size of a run, to stand beside the others.
export function sizeCell(line, pieces, usual) {
  const cell = document.getElementById("use-size").content.firstElementChild.cloneNode(true);
  cell.classList.toggle("size-usual", usual);
  cell.querySelector(".size-name > span").textContent = line.size || line.label;
  if (!usual) cell.querySelector("b").remove();
  return withFields(cell, line, pieces);
}

function withFields(row, line, pieces) {
  for (const name of ["used", "unused"]) {
    const cell = row.querySelector(`[data-${name}]`);
    cell.name = `${name}-${line.id}`;
    cell.setAttribute("aria-label", `${cell.getAttribute("aria-label")}: ${line.label}`);
  }
  const used = row.querySelector("[data-used]");
  used.defaultValue = used.value = pieces;
  addSteppers(row, words);
  return row;
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

// Pages for when there is no network ----------------------------------------------------------------------

async function keepPages() {
  if (!("serviceWorker" in navigator)) return;
  await navigator.serviceWorker.register(page.worker);
  const { active } = await navigator.serviceWorker.ready;
  const slots = [...document.querySelectorAll(".slot-list [data-slot]:not([data-logged])")].map((slot) => slot.pathname);
  active.postMessage({ room: page.room, keep: [...page.ofRoom.split(" "), ...slots], also: page.also.split(" ") });
}

await sentOnOpening;
// The room's page was kept with a case open that has been logged since, on this very device.
if (form?.hidden && location.pathname === page.room) await goToNextSlot();
if ("ofRoom" in page) await keepPages();
