// Plus and minus beside number fields. Without this file the fields are plain number fields and do as well.

export function addSteppers(root, words) {
  for (const input of root.querySelectorAll(".step-count > input")) {
    if (input.previousElementSibling) continue;
    input.before(stepper(input, -1, "\u2212", words.less));
    input.after(stepper(input, 1, "+", words.more));
  }
}

function stepper(input, step, sign, word) {
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = sign;
  button.setAttribute("aria-label", `${word}: ${input.getAttribute("aria-label")}`);
  button.addEventListener("click", () => {
    const pieces = Math.max(0, Math.min(999, (Number(input.value) || 0) + step));
    input.value = pieces;
    input.dispatchEvent(new Event("input", { bubbles: true }));
  });
  return button;
}
