// Codes about people, recognised on the device, so that it neither sends nor keeps one. The server refuses the same
// ones again (inventory/scanning/people.py), and more; a test holds both to one list of examples.

const AIS = "8002|8007|8017|8018|8019|8030|725\\d|430[0-6]|430[89]|431[0-6]|431[89]";
const BRACKETED = new RegExp(`[({[]\\s*(?:${AIS})\\s*[)}\\]]`);
const IN_LINK = new RegExp(`[/?&;](?:${AIS})[/=]`);
const ELEMENT = /(?:^|[\x1d\x1e|~^␝↔ ])(?:801[78]\d{8}|8002\d{7}|725\d[0-9A-Z%])/i;
const AFTER_ITEM = /^01\d{14}(?:1[1-7]\d{6})*(?:801[78]\d{8}|725\d[0-9A-Z%])/i;
const GLUED = /801[78]\d{14}/;
const OTHER_FORMS = /^(?:\*?\+\/|(?:MSH|PID|PV1|NK1|FHS|BHS)\||[&=]#|='|[&=];|&\):|\{\s*"(?:resourceType|patient|mrn)"|BEGIN:VCARD|MECARD:|BIZCARD:|shc:\/|HC1:|@\s*\x1e?\s*(?:ANSI|AAMVA) |[PIACV][A-Z<][A-Z<]{3}[A-Z]+<<)/i;
const SYMBOLOGY = /^\][A-Za-z][0-9A-Za-z]/;
const SPELT_OUT = /<GS>|<FNC1>|\{GS\}|\{FNC1\}|\[GS\]|\[FNC1\]|\^\]|\\x1d|\\u001d|\\F/gi;
const GTIN = /^(?:\d{8}|\d{12,14})$/;

export function isAboutAPerson(typed) {
  const text = unquoted(typed.trim().replace(SYMBOLOGY, "")).replace(SPELT_OUT, "\x1d");
  if (GTIN.test(text) && typed.trim() === text) return false;
  return OTHER_FORMS.test(text) || BRACKETED.test(text) || (text.includes("/") && IN_LINK.test(text))
    || ELEMENT.test(text) || AFTER_ITEM.test(text) || GLUED.test(text);
}

// Every form of every page: a code about a person is gone before it is sent, or kept for later. Capturing, so that
// this comes before whatever else listens.
document.addEventListener("submit", (event) => {
  const fields = [...event.target.elements].filter((field) => field.matches("input:not([type=password], [type=hidden], [type=file]), textarea"));
  const refused = fields.filter((field) => isAboutAPerson(field.value));
  for (const said of event.target.querySelectorAll("[data-refused]")) said.remove();
  if (!refused.length) return;
  event.preventDefault();
  event.stopImmediatePropagation();
  for (const field of refused) {
    field.value = "";
    const words = Object.assign(document.createElement("p"), { className: "errorlist", textContent: document.body.dataset.wordsPerson });
    words.setAttribute("role", "alert");
    words.dataset.refused = "";
    (document.getElementById(field.dataset.refusal) ?? field.parentElement).append(words);
  }
  refused[0].focus();
}, { capture: true });

function unquoted(text) {
  try {
    return decodeURIComponent(decodeURIComponent(text));
  } catch {
    return text; // a per cent sign that stands for itself
  }
}
