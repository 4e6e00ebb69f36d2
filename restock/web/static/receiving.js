// A scan for every pack, as fast as a hand scanner goes: each scan is sent with a key of its own, one after the other,
// and the list comes back with it. What the server did not answer for is sent again; nothing is written down here.
// Without this file every scan is a plain form.

const RETRY_MS = 3000;

const form = document.getElementById("scan-form");
const box = form.querySelector("input[name=scan]");
const list = document.getElementById("arrivals");
const notSent = document.getElementById("not-sent");
const waiting = [];
let sending = false;
let pressed = false; // the one click came before the last scan had arrived: it counts once all are there

form.addEventListener("submit", (event) => {
  if (event.defaultPrevented) return;
  event.preventDefault();
  const body = new FormData(form);
  body.set("key", crypto.randomUUID());
  box.value = "";
  box.focus();
  waiting.push(body);
  sendAll();
});

list.addEventListener("submit", (event) => {
  if (!waiting.length || !event.target.matches(".receive-click")) return;
  event.preventDefault();
  pressed = true;
});

form.dataset.takesScans = ""; // from here on no scan leaves the page

window.addEventListener("beforeunload", (event) => {
  if (waiting.length) event.preventDefault();
});

async function sendAll() {
  if (sending) return;
  sending = true;
  while (waiting.length) {
    if (!(await send(waiting[0]))) {
      sending = false;
      tell(waiting.length);
      setTimeout(sendAll, RETRY_MS);
      return;
    }
    waiting.shift();
    tell(0);
  }
  sending = false;
  if (pressed) list.querySelector(".receive-click")?.requestSubmit();
  pressed = false;
}

async function send(body) {
  try {
    const answer = await fetch(form.action, { method: "POST", body, headers: { "HX-Request": "true" } });
    if (answer.headers.get("HX-Refresh") || (answer.status >= 400 && answer.status < 500)) {
      // Signed out meanwhile, or the order is gone. The page says so; what is on the list is safe.
      waiting.length = 0;
      location.reload();
      return false;
    }
    if (!answer.ok) return false;
    list.innerHTML = await answer.text();
    return true;
  } catch {
    return false;
  }
}

function tell(count) {
  notSent.hidden = count === 0;
  notSent.textContent = count === 1 ? notSent.dataset.one : notSent.dataset.many.replace("%(scans)s", count);
}
