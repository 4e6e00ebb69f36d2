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

async function fillIn({ describe, pieceRow, sizeCell }) {
  const [{ lines, runs }, { set_ups: setUps, extras }] = await Promise.all(
    [page.lines, page.setUps].map((file) => fetch(file).then((answer) => answer.json()).catch(() => ({}))),
  );
  const byId = new Map((lines || []).map((line) => [line.id, line]));
  const { caseType, sizeClass, extras: booked = [] } = entry.added;
  const setUp = withExtras(setUps?.[caseType]?.[sizeClass] || [], booked.map((extra) => extras?.[extra]?.[sizeClass] || []))
    .filter(([id]) => byId.has(id));
  const sections = new Map();
  for (const [id, pieces] of setUp) {
    const line = byId.get(id);
    sections.set(line.section, [...(sections.get(line.section) || []), [line, pieces]]);
  }
  const shown = (line, pieces) => (line.run ? sizeRun(runs[line.run], sizesOf(line, lines), line, pieces, sizeCell) : pieceRow(line, pieces));
  for (const [name, items] of sections) form.append(section(name, items, shown));
  document.getElementById("added-no-setup").hidden = setUp.length > 0;
  describe();
}

// A line that the case and an extra both open is opened for each of them.
function withExtras(setUp, ofExtras) {
  const pieces = new Map(setUp);
  for (const [id, more] of ofExtras.flat()) pieces.set(id, (pieces.get(id) || 0) + more);
  return [...pieces];
}

function sizesOf(line, lines) {
  return lines.filter((one) => one.run === line.run).sort((a, b) => a.position - b.position);
}

// The likely size with two on either side; all others behind one tap.
function sizeRun(name, sizes, likely, pieces, sizeCell) {
  const part = document.getElementById("use-sizes").content.firstElementChild.cloneNode(true);
  part.querySelector("legend").textContent = name;
  const [near, far] = part.querySelectorAll(".size-row");
  const first = Math.max(0, Math.min(sizes.indexOf(likely) - 2, sizes.length - 5));
  sizes.forEach((size, n) => {
    const row = n >= first && n < first + 5 ? near : far;
    row.append(sizeCell(size, size === likely ? pieces : 0, size === likely));
  });
  if (!far.children.length) far.closest("details").remove();
  return part;
}

function section(name, items, shown) {
  const part = document.getElementById("use-section").content.firstElementChild.cloneNode(true);
  part.querySelector("b").textContent = name;
  part.querySelector(".use-count").textContent = words.pieces.replace("{n}", items.reduce((sum, [, pieces]) => sum + pieces, 0));
  part.querySelector(".use-preview").textContent = items.map(([line, pieces]) => line.label + (pieces > 1 ? ` \u00d7 ${pieces}` : "")).join(" \u00b7 ");
  for (const [line, pieces] of items) {
    const row = shown(line, pieces);
    row.classList.remove("just-changed");
    part.append(row);
  }
  return part;
}
