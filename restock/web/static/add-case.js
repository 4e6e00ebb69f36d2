// A case that is on no list, added on this device: the slot has the device's key until the site gives it a place.

const { addedPage, goTo, keepEntry, page } = await import(document.getElementById("log").dataset.entries);
const form = document.getElementById("add-case");

form.addEventListener("submit", (event) => {
  event.preventDefault();
  const caseType = event.submitter;
  const size = form.querySelector("[name=size_class]:checked");
  const extras = [...form.querySelectorAll("[name=extras]:checked")];
  keepEntry(form, {
    fields: [[caseType.name, caseType.value]],
    label: [caseType, ...[size, ...extras].map((one) => one?.parentElement)].filter(Boolean).map((one) => one.textContent.trim()).join(", "),
    added: { page: page.added, caseType: caseType.value, sizeClass: size?.value, extras: extras.map((one) => one.value) },
  }, (entry) => goTo(new URL(addedPage(entry), location).href));
});
