// Short ways to build the page. Text is always set as text, never as markup.

export function h(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}

export const button = (label, onclick, attributes = {}) =>
  h("button", { type: "button", onclick, ...attributes }, label);

export const counted = (number, thing) => `${number} ${thing}${number === 1 ? "" : "s"}`;

let made = 0;
const newName = () => `f${++made}`;

export function field(label, control, hint) {
  control.id ||= newName();
  return h("div", { class: "field" }, h("label", { for: control.id }, label), control, hint && h("small", { class: "soft" }, hint));
}

export function select(options, chosen, onchange) {
  const rows = options.map(([value, label]) => h("option", { value, selected: value === chosen }, label));
  return h("select", { onchange: (event) => onchange(event.target.value) }, rows);
}

export function checkbox(label, checked, onchange) {
  const box = h("input", { type: "checkbox", checked, onchange: () => onchange(box.checked) });
  return h("label", { class: "check" }, box, h("span", {}, label));
}

// Read a number as people type it; NaN when it is none.
export function readNumber(text) {
  const plain = text.trim().replace(",", ".");
  return plain === "" ? NaN : Number(plain);
}

export const rounded = (number) => Math.round(number * 10_000) / 10_000;

// Two big buttons around a number that can also be typed. `name` says what it counts, for screen readers;
// `spoken` names the buttons where one name has several numbers.
export function stepper({ label, name, spoken = name, value, step = 1, unit = "", whole = false, empty = false, onchange }) {
  const input = h("input", {
    id: newName(),
    type: "text",
    inputmode: whole ? "numeric" : "decimal",
    autocomplete: "off",
    value: value ?? "",
  });
  const isRight = (number) => number >= 0 && (!whole || Number.isInteger(number));
  // Keeps what is wrong with the number at its field, where `misread` finds it.
  const judge = (wrong) => {
    input.setCustomValidity(wrong && whole && readNumber(input.value) >= 0
      ? `${input.value.trim()} is not whole. It is counted in whole pieces: write 1 or 2.`
      : wrong ? `${input.value.trim() || "an empty field"} cannot be read as a number. Write it like ${whole ? "2" : "2 or 12.5"}.` : "");
    if (wrong) input.setAttribute("aria-invalid", "true");
    else input.removeAttribute("aria-invalid");
  };
  if (Number.isNaN(value)) {
    input.value = "";
    judge(true);
  }
  const set = (number) => {
    input.value = rounded(number);
    judge(false);
    onchange(rounded(number));
  };
  const stepBy = (change) => {
    const now = readNumber(input.value) || 0;
    set(Math.max(0, now + change));
  };
  input.addEventListener("input", () => {
    const isEmpty = empty && input.value.trim() === "";
    const number = readNumber(input.value);
    judge(!isEmpty && !isRight(number));
    onchange(isEmpty ? null : isRight(number) ? rounded(number) : NaN);
  });
  const sign = (text, change, word) =>
    button(text, () => stepBy(change), { class: "step", "aria-label": `${step} ${word}: ${spoken}` });
  const element = h(
    "div",
    { class: "stepper" },
    h("label", { for: input.id }, label, name !== label && h("span", { class: "unseen" }, ` ${name}`), unit && h("span", { class: "soft" }, ` ${unit}`)),
    h("div", { class: "steps" }, sign("−", -step, "less"), input, sign("+", step, "more")),
  );
  element.show = (number) => {
    input.value = number ?? "";
    judge(false);
  };
  element.input = input;
  input.dataset.what = spoken;
  return element;
}

// What is wrong with the first number in an element that cannot be read, which gets the focus; empty when all can.
export function misread(element) {
  const input = element.querySelector("input:invalid");
  input?.focus();
  return input ? `${input.dataset.what}: ${input.validationMessage}` : "";
}

// Ask before something that cannot be undone.
export function confirmed(question, yes, no = "Keep it") {
  return new Promise((resolve) => {
    const dialog = h(
      "dialog",
      { class: "card", onclose: () => (dialog.remove(), resolve(dialog.returnValue === "yes")) },
      h("form", { method: "dialog" }, h("p", {}, question), h("div", { class: "row" },
        h("button", { value: "no", class: "quiet" }, no), h("button", { value: "yes", class: "danger" }, yes))),
    );
    dialog.setAttribute("aria-label", yes);
    document.body.append(dialog);
    dialog.showModal();
  });
}
