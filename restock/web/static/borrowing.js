// "Took something else": any line from any place, found on the device, because a search wants the network.

const files = document.getElementById("log").dataset;
const [{ keepEntry, page, words }, { find, offer, readLines }] = await Promise.all(
  [files.entries, files.catalogue].map((file) => import(file)),
);
const form = document.getElementById("took-else");
const field = document.getElementById("took-line");
const unknown = document.getElementById("took-line-unknown");
const details = form.closest("details");
const search = document.getElementById("need-line")?.form;
const catalogue = readLines(page.lines);

catalogue.then((lines) => offer(lines, document.getElementById("took-line-known")));
details.hidden = false;
search?.addEventListener("submit", (event) => {
  if (navigator.onLine) return;
  event.preventDefault();
  field.value = search.elements.q.value;
  details.open = true;
  document.getElementById("took-source").focus();
});
form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const line = find(await catalogue, field.value.trim());
  unknown.hidden = Boolean(line);
  unknown.textContent = words.unknown;
  if (!line) return field.select();
  form.elements.consumable.value = line.id;
  field.value = ""; // only the line's key is kept: what a scanner sent may say more
  const place = form.elements.source.selectedOptions[0].text;
  await keepEntry(form, { label: `${form.elements.quantity.value} × ${line.label}, ${place}` });
});
