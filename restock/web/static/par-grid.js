// Arrow up and down go to the same column of the next row, as in a spreadsheet. Without script, Tab does.
const STEPS = { ArrowUp: -1, ArrowDown: 1 };

document.querySelector(".par-grid")?.addEventListener("keydown", (event) => {
  const step = STEPS[event.key];
  const cell = event.target.closest("td");
  if (!step || !cell || event.target.tagName === "SELECT") return;
  let row = cell.parentElement;
  do row = step > 0 ? row.nextElementSibling : row.previousElementSibling;
  while (row && row.classList.contains("grid-section"));
  const field = row?.cells[cell.cellIndex]?.querySelector("input:not([type=hidden]), select");
  if (!field) return;
  event.preventDefault();
  field.focus();
  field.select?.();
});
