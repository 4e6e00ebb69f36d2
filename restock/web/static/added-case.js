// The page of a case that only this device knows: its set-up from what was kept, its log sent after the case itself.

const files = document.getElementById("log").dataset;
const key = location.hash.slice(1);
const holder = document.getElementById("added-log");
const form = document.getElementById("log-form");
form.dataset.case = key;
const { dropAdded, goTo, keepEntry, ownWaiting, page, sentOnOpening, showWaiting, words } = await import(files.entries);
await sentOnOpening;
const entry = (await ownWaiting()).find((one) => one.key === key && one.added);

// The page is one for all cases of the room: another one after the number sign is another case.
window.addEventListener("hashchange", () => location.reload());

if (entry) {
  const caseLog = await import(files.caseLog);
  await fillIn(caseLog);
  document.getElementById("added-name").textContent = entry.label;
  document.getElementById("added-drop").addEventListener("click", async () => {
    await dropAdded(key);
    await goTo(page.room);
  });
  form.setAttribute("action", holder.dataset.url.replace("KEY", key));
  form.dataset.label = entry.label;
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    keepEntry(form, { after: key });
  });
  holder.hidden = document.querySelector(".log-bar [type=submit]").hidden = false;
  document.addEventListener("waiting-shown", ({ detail }) => {
    document.getElementById("added-waits").hidden = !detail.some((one) => one.key === key);
  });
  await showWaiting();
} else if (key && navigator.onLine) {
  location.replace(holder.dataset.url.replace("KEY", key));
} else {
  document.getElementById("added-gone").hidden = false;
}

async function fillIn({ describe, pieceRow }) {
  const [{ lines }, { set_ups: setUps }] = await Promise.all(
    [page.lines, page.setUps].map((file) => fetch(file).then((answer) => answer.json()).catch(() => ({}))),
  );
  const byId = new Map((lines || []).map((line) => [line.id, line]));
  const setUp = (setUps?.[entry.added.caseType]?.[entry.added.sizeClass] || []).filter(([id]) => byId.has(id));
  const sections = new Map();
  for (const [id, pieces] of setUp) {
    const line = byId.get(id);
    sections.set(line.section, [...(sections.get(line.section) || []), [line, pieces]]);
  }
  for (const [name, items] of sections) form.append(section(name, items, pieceRow));
  document.getElementById("added-no-setup").hidden = setUp.length > 0;
  describe();
}

function section(name, items, pieceRow) {
  const part = document.getElementById("use-section").content.firstElementChild.cloneNode(true);
  part.querySelector("b").textContent = name;
  part.querySelector(".use-count").textContent = words.pieces.replace("{n}", items.reduce((sum, [, pieces]) => sum + pieces, 0));
  part.querySelector(".use-preview").textContent = items.map(([line, pieces]) => line.label + (pieces > 1 ? ` \u00d7 ${pieces}` : "")).join(" \u00b7 ");
  for (const [line, pieces] of items) {
    const row = pieceRow(line);
    row.classList.remove("just-changed");
    const input = row.querySelector("[data-used]");
    input.defaultValue = input.value = pieces;
    part.append(row);
  }
  return part;
}
