// Scan boxes: what a hand scanner types and what a phone's camera sees. What must not leave the device is held back
// in scan-people.js, for every form of the site.

const FORMATS = ["data_matrix", "qr_code", "code_128", "code_39", "ean_13", "ean_8", "upc_a", "itf", "aztec", "pdf417"];
const LOOK_EVERY_MS = 120;
const SEPARATOR = "\x1d"; // FNC1 as GS1 wants scanners to send it

for (const box of document.querySelectorAll("[data-scan-box]")) setUp(box);

function setUp(box) {
  const input = box.querySelector("input");

  // Scanners that act as a keyboard press Ctrl and ] (or F8) for the separator, which no field takes by itself.
  input.addEventListener("keydown", (event) => {
    const isSeparator = (event.ctrlKey && !event.altKey && event.key === "]") || event.key === SEPARATOR || event.key === "F8";
    if (!isSeparator) return;
    event.preventDefault();
    input.setRangeText(SEPARATOR, input.selectionStart, input.selectionEnd, "end");
  });

  // No browser brings a scan back with the page.
  window.addEventListener("pagehide", () => { input.value = ""; });

  offerCamera(box, input);
}

async function offerCamera(box, input) {
  if (!("BarcodeDetector" in window) || !navigator.mediaDevices?.getUserMedia) return;
  const known = await BarcodeDetector.getSupportedFormats();
  const formats = FORMATS.filter((format) => known.includes(format));
  if (!formats.length) return;
  const button = box.querySelector("[data-scan-camera]");
  button.hidden = false;
  button.addEventListener("click", () => look(box, input, new BarcodeDetector({ formats })));
}

// One picture after the other is looked at and forgotten, until a code is seen or the person closes.
async function look(box, input, detector) {
  const dialog = box.querySelector("dialog");
  const video = dialog.querySelector("video");
  const words = dialog.querySelector("p");
  let stream;
  try {
    stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" }, audio: false });
  } catch {
    box.querySelector(".scan-said").textContent = box.dataset.wordsNoCamera;
    return;
  }
  const close = () => dialog.close();
  dialog.querySelector("[data-scan-close]").addEventListener("click", close, { once: true });
  dialog.addEventListener("close", () => {
    for (const track of stream.getTracks()) track.stop();
    video.srcObject = null;
    input.focus();
  }, { once: true });
  video.srcObject = stream;
  words.textContent = box.dataset.wordsLooking;
  dialog.showModal();
  video.play().catch(() => {}); // closed before the first picture came
  while (dialog.open) {
    const [seen] = await detector.detect(video).catch(() => []);
    if (seen?.rawValue && dialog.open) {
      close();
      input.value = seen.rawValue;
      input.form.requestSubmit();
      return;
    }
    await new Promise((resolve) => setTimeout(resolve, LOOK_EVERY_MS));
  }
}
