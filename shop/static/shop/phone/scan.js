// Choosing a consumable: from a list, or by its QR label where the browser can read one.
// The text of a label is defined in shop/web/storeroom/qr_text.py.

import { button, field, h } from "./elements.js";

const LABEL = "SB1:";
const LOOK_EVERY_MS = 200;

export const codeOnLabel = (text) => (text.startsWith(LABEL) && text.slice(LABEL.length).trim()) || null;

// The browser's reader of labels, if any: the Shape Detection API, which not every browser has.
async function reader() {
  if (!("BarcodeDetector" in self) || !navigator.mediaDevices) return null;
  const formats = await BarcodeDetector.getSupportedFormats().catch(() => []);
  return formats.includes("qr_code") ? new BarcodeDetector({ formats: ["qr_code"] }) : null;
}

// A list of what is on board, then everything else, with a button to add the chosen one. `add(code)` is false
// when it is there already.
export function pickOrScan({ catalogue, stock, add }) {
  const said = h("p", { role: "status", class: "soft" });
  const option = ({ code, name, unit }) => h("option", { value: code }, `${name} (${unit})`);
  const [aboard, other] = [true, false].map((here) => [...catalogue.values()].filter(({ code }) => code in stock === here));
  const list = h("select", {}, h("option", { value: "" }, "Choose"),
    h("optgroup", { label: "On board" }, aboard.map(option)), h("optgroup", { label: "Not on board" }, other.map(option)));
  const take = (code) => {
    const { name } = catalogue.get(code);
    said.textContent = add(code) ? `${name} is added.` : `${name} is on the list already.`;
    list.value = "";
  };
  const takeKnown = (code) => {
    if (catalogue.has(code)) take(code);
    else said.textContent = `${code} is not in the shop's catalogue on this phone.`;
  };
  const typed = h("input", { type: "text", autocomplete: "off", autocapitalize: "characters", spellcheck: "false" });
  const takeTyped = () => {
    const code = typed.value.trim();
    // Codes may differ by case, but people do not type them that way.
    const same = [...catalogue.keys()].find((known) => known.toLowerCase() === (codeOnLabel(code) ?? code).toLowerCase());
    if (!code) return;
    takeKnown(same ?? code);
    if (same) typed.value = "";
  };
  const byHand = h("div", { hidden: true }, field("Code on the label", typed), button("Add by code", takeTyped, { class: "quiet" }));
  const scan = button("Scan a label", async () => {
    const found = await reader();
    const problem = found ? "" : "This browser cannot read labels.";
    const code = found ? await scanned(found) : null;
    if (code === undefined) return;
    said.textContent = "";
    if (code !== null) return takeKnown(code);
    byHand.hidden = false;
    said.textContent = `${problem || "The camera could not be used: it is missing, or not allowed."} Type the code on the label.`;
    typed.focus();
  }, { class: "quiet" });
  return h("div", { class: "card add" }, field("Something else", list),
    h("div", { class: "row" }, button("Add", () => list.value && take(list.value), { class: "quiet" }), scan), byHand, said);
}

// Show the camera until it sees a label of ours: its code; undefined when it was closed, null without camera.
async function scanned(detector) {
  let stream;
  try {
    stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
  } catch {
    return null;
  }
  const video = h("video", { autoplay: true, playsinline: true });
  video.muted = true;
  video.srcObject = stream;
  const dialog = h("dialog", { class: "card scan", "aria-label": "Scan a label" }, video,
    h("p", {}, "Hold the label in front of the camera."), button("Close", () => dialog.close(), { class: "quiet" }));
  document.body.append(dialog);
  dialog.showModal();
  return new Promise((resolve) => {
    const looking = setInterval(async () => {
      const seen = video.readyState >= HTMLMediaElement.HAVE_CURRENT_DATA ? await detector.detect(video).catch(() => []) : [];
      const code = seen.map(({ rawValue }) => codeOnLabel(rawValue)).find(Boolean);
      if (code) {
        resolve(code);
        dialog.close();
      }
    }, LOOK_EVERY_MS);
    dialog.addEventListener("close", () => {
      clearInterval(looking);
      stream.getTracks().forEach((track) => track.stop());
      dialog.remove();
      resolve(undefined);
    });
  });
}
