// A count, line by line. The server keeps every saved line; this file says when it did not answer, and keeps the hand
// where it was: at the scan box after a scan, at the next number after a number. Without it the pages work as plain forms.

const LONGEST_NUMBER = 6; // digits: what is longer was meant for the scan box
const LONGEST_LOT = 20; // characters: GS1's batch or lot (10) has no more, nor has HIBC's

const notSaved = document.getElementById("not-saved");
const scanForm = document.getElementById("scan-form");
const scanBox = scanForm?.querySelector("input[name=scan]");
let scanned = false;

for (const failure of ["htmx:sendError", "htmx:responseError", "htmx:timeout"]) {
  document.addEventListener(failure, () => {
    notSaved.hidden = false;
  });
}

document.addEventListener("htmx:beforeRequest", (event) => {
  scanned = event.detail.elt === scanForm;
  if (scanned) scanBox.value = "";
});

// A scanner types wherever the hand left off. A barcode in a field for pieces or for a lot goes to the scan box.
document.addEventListener("submit", (event) => {
  if (!scanBox || event.target.id !== "count-form") return;
  const fields = [...event.target.querySelectorAll("[data-pieces], [data-lot]")];
  const longest = (input) => ("lot" in input.dataset ? LONGEST_LOT : LONGEST_NUMBER);
  const field = fields.find((input) => input.value.trim().length > longest(input));
  if (!field) return;
  event.preventDefault();
  event.stopImmediatePropagation();
  scanBox.value = field.value;
  field.value = "";
  scanForm.requestSubmit();
}, { capture: true });

document.addEventListener("htmx:afterSwap", () => {
  notSaved.hidden = true;
  const open = document.querySelector(".stop-now");
  const calm = matchMedia("(prefers-reduced-motion: reduce)").matches;
  open?.scrollIntoView({ block: "center", behavior: calm ? "auto" : "smooth" });
  const field = scanned ? scanBox : open?.querySelector("[data-pieces]");
  field?.focus({ preventScroll: true });
  scanned = false;
});
