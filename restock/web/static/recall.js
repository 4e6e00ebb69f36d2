// Packs of a recalled lot scanned one after the other: the box is empty and in hand again after each. Without this file
// every scan is a plain form.

const form = document.getElementById("scan-form");
const box = form.querySelector("input[name=scan]");

document.addEventListener("htmx:beforeRequest", (event) => {
  if (event.detail.elt === form) box.value = "";
});

document.addEventListener("htmx:afterSwap", () => {
  box.focus({ preventScroll: true });
});
