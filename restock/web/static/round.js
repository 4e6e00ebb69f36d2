// Lines that are saved one by one. The server keeps every saved line; this file only says when it did not answer,
// and keeps the next line in sight. Without it the pages work as plain forms.

const notSaved = document.getElementById("not-saved");

for (const failure of ["htmx:sendError", "htmx:responseError", "htmx:timeout"]) {
  document.addEventListener(failure, () => {
    notSaved.hidden = false;
  });
}

document.addEventListener("htmx:afterSwap", () => {
  notSaved.hidden = true;
  // Where the person goes on: at the fields that they opened or that were refused, or else at the next line.
  const opened = document.querySelector(".stop-else");
  const here = opened?.closest(".stop") ?? document.querySelector(".stop-now");
  const calm = matchMedia("(prefers-reduced-motion: reduce)").matches;
  here?.scrollIntoView({ block: "center", behavior: calm ? "auto" : "smooth" });
  const field = opened?.querySelector("input:not([type=hidden])") ?? document.querySelector(".stop-next .button");
  field?.focus({ preventScroll: true });
});
