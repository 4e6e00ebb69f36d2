// The department's lines, kept on this device, and finding one of them by scan, code or words.

export const readLines = (address) => fetch(address).then((answer) => answer.json()).then((body) => body.lines).catch(() => []);

export function offer(lines, datalist) {
  datalist.replaceChildren(...lines.map((line) => Object.assign(document.createElement("option"), { value: line.label })));
}

export function find(lines, typed) {
  const item = itemIn(typed);
  const barcode = item.padStart(14, "0");
  const wanted = item.toLowerCase();
  return lines.find((line) => line.code.toLowerCase() === wanted || line.label.toLowerCase() === wanted)
    || lines.find((line) => line.barcodes.some((one) => one === item || (one[0] === "+" && one.slice(0, -1) === item) || one.padStart(14, "0") === barcode))
    || (wanted && only(lines.filter((line) => wanted.split(/\s+/).every((word) => line.label.toLowerCase().includes(word)))));
}

// The item in a scan: a symbology identifier (ISO/IEC 15424) may come first, then GS1's 01 with 14 digits, a GS1
// Digital Link, an HIBC code or a label printed here. Lots and serial numbers are left unread: a log needs neither.
function itemIn(typed) {
  const scan = typed.replace(/^\][A-Za-z]\d/, "");
  const gs1 = /^[({]?01[)}]?(\d{14})/.exec(scan) || /^https?:.*\/01\/(\d{8,14})/i.exec(scan);
  const hibc = /^\*?(\+[A-Z0-9]+\d)(?:\/|.\*?$)/.exec(scan);
  const label = /^(?:91)?EVENFILL:(?:BIN|LOT):([^/]+)/.exec(scan);
  return gs1?.[1] ?? hibc?.[1] ?? (label ? decodeURIComponent(label[1]) : scan);
}

const only = (found) => (found.length === 1 ? found[0] : undefined);
