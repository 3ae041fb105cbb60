// The lines of a close: one for each grade and other consumable, with steppers and timer; and what was spoilt.

import { button, field, h, select, stepper } from "./elements.js";
import * as timer from "./timer.js";
import { isWhole, newLine } from "./draft.js";
import { pickOrScan } from "./scan.js";

const REASONS = ["torn", "clogged", "dropped in dirt", "wrong grade", "dried out", "spilt"];
const OTHER = "other";

export const nameOf = ({ name, grade }) => (grade ? name.replace(grade, "").replace(/^[ ,]+| (?=,)|[ ,]+$/g, "") : name);

const onBoard = (held, unit) => `${held} ${unit === "each" ? "" : unit} on board`.replace(/ +/, " ");

// `form` has { draft, catalogue, stock, changed }: changed() keeps the draft and refreshes what depends on it.
export function linesOf(form) {
  const discs = h("div", { class: "lines" });
  const rest = h("div", { class: "lines" });
  const clocks = [];
  const spoilt = spoiltOf(form);
  const known = (code) => form.catalogue.get(code) ?? { code, name: code, unit: "", grade: "", kind: "measured" };
  const order = [...form.catalogue.keys()];
  const placeOf = ({ code }) => (order.includes(code) ? order.indexOf(code) : order.length);
  const show = (line, isNew = false) => {
    const consumable = known(line.code);
    const element = lineOf(form, line, consumable, clocks);
    const shelf = consumable.grade ? discs : rest;
    element.dataset.place = placeOf(line);
    // Those added stand in their order too: discs from coarse to fine.
    shelf.insertBefore(element, [...shelf.children].find((other) => Number(other.dataset.place) > placeOf(line)) ?? null);
    if (isNew) element.querySelector("input").focus();
  };
  form.draft.lines.forEach((line) => show(line));
  const add = (code) => {
    if (form.draft.lines.some((line) => line.code === code)) return false;
    const line = newLine(code);
    form.draft.lines.push(line);
    show(line, true);
    form.changed();
    return true;
  };
  const element = h(
    "div",
    {},
    h("section", { "aria-labelledby": "discs" },
      h("h2", { id: "discs" }, "Discs, coarse to fine"),
      form.draft.source && h("p", { class: "soft" }, `Filled in from ${form.draft.source}.`),
      form.draft.source && h("p", { class: "caution" }, "Eyes, ears, gloves; keep it wet, so that no dust flies."),
      discs),
    h("section", { "aria-labelledby": "rest" }, h("h2", { id: "rest" }, "Also used"), rest,
      pickOrScan({ catalogue: form.catalogue, stock: form.stock, add })),
    spoilt,
  );
  element.tick = () => clocks.forEach((refresh) => refresh());
  return element;
}

function lineOf(form, line, consumable, clocks) {
  const { draft, stock } = form;
  const { code, name, grade, kind } = consumable;
  const isPart = kind === "worn";
  const isTimed = Boolean(grade) || isPart;
  const quantity = stepper({
    label: isPart ? "Replaced" : "Used", name, unit: isWhole(consumable) ? "" : consumable.unit, whole: isWhole(consumable),
    value: line.quantity, step: isWhole(consumable) ? 1 : 5,
    onchange: (number) => { line.quantity = number; form.changed(); },
  });
  const minutes = isTimed && stepper({
    label: "Minutes", name, spoken: `minutes, ${name}`, value: line.minutes,
    onchange: (number) => {
      // What is typed stands; the timer goes on from there.
      const runs = timer.isRunning(draft, code);
      if (runs) timer.stop(draft);
      delete draft.timed[code];
      line.minutes = number;
      line.typed = true;
      if (runs) timer.start(draft, code, number || 0);
      form.changed();
    },
  });
  const heat = h("p", { class: "caution heat", hidden: true }, "Warm to the hand, not hotter: keep it moving and wet.");
  const held = stock[code]?.[0];
  return h(
    "div",
    { class: isTimed ? "card line" : "card line short", role: "group", "aria-label": name },
    h("div", { class: "line-head" },
      h("h3", {}, grade && h("span", { class: "grade" }, grade), ` ${nameOf(consumable)}`,
        held !== undefined && h("small", { class: "soft" }, onBoard(held, consumable.unit))),
      isTimed && timerButton(form, line, name, minutes, heat, clocks)),
    isTimed ? [heat, h("div", { class: "pair" }, quantity, minutes)] : quantity,
  );
}

function timerButton(form, line, name, minutes, heat, clocks) {
  const { draft } = form;
  const { code } = line;
  const clock = button("", toggle, { class: "timer", "aria-label": `Time ${name}` });
  function toggle() {
    if (timer.isRunning(draft, code)) timer.stop(draft);
    else timer.start(draft, code, line.typed ? line.minutes || 0 : 0);
    clocks.forEach((refresh) => refresh());
    form.changed();
  }
  function refresh() {
    const runs = timer.isRunning(draft, code);
    clock.textContent = runs ? `■ ${timer.shown(draft, code)}` : `▶ ${draft.timed[code] ? timer.shown(draft, code) : "Time"}`;
    clock.setAttribute("aria-pressed", String(runs));
    heat.hidden = !runs;
    // A tap by mistake, and back, leaves the minutes as they were.
    if (!timer.counts(draft, code)) return;
    line.minutes = timer.minutes(draft, code);
    if (document.activeElement !== minutes.input) minutes.show(line.minutes);
  }
  clocks.push(refresh);
  refresh();
  return clock;
}

// What was spoilt of the lines, and why. It is rare, so it is folded until it is needed.
function spoiltOf(form) {
  const shown = h("div", { class: "lines" });
  const label = (line) => form.catalogue.get(line.code)?.name ?? line.code;
  const show = (line) => shown.append(spoiltLine(form, line, label(line)));
  const choice = h("select", {}, h("option", { value: "" }, "Choose"));
  const fill = () => {
    const left = form.draft.lines.filter((line) => line.spoilt === 0);
    choice.replaceChildren(h("option", { value: "" }, "Choose"), ...left.map((line) => h("option", { value: line.code }, label(line))));
  };
  choice.addEventListener("change", () => {
    const line = form.draft.lines.find(({ code }) => code === choice.value);
    if (!line) return;
    line.spoilt = 1;
    show(line);
    form.changed();
    fill();
    shown.lastElementChild.querySelector("select").focus();
  });
  const lines = form.draft.lines.filter((line) => line.spoilt !== 0);
  lines.forEach(show);
  return h("details", { class: "card spoilt", open: lines.length > 0, ontoggle: fill },
    h("summary", {}, "Something was spoilt"), shown, field("What was spoilt", choice, "it counts among what was used"));
}

function spoiltLine(form, line, name) {
  const consumable = form.catalogue.get(line.code) ?? { kind: "measured", unit: "" };
  const isOther = line.reason !== "" && !REASONS.includes(line.reason);
  const typed = h("input", {
    type: "text", maxlength: 200, value: isOther ? line.reason : "",
    oninput: () => { line.reason = typed.value.trim(); form.changed(); },
  });
  const other = field("What happened", typed);
  other.hidden = !isOther;
  const options = [["", "Choose why"], ...REASONS.map((reason) => [reason, reason]), [OTHER, "something else"]];
  const why = select(options, isOther ? OTHER : line.reason, (chosen) => {
    other.hidden = chosen !== OTHER;
    line.reason = chosen === OTHER ? typed.value.trim() : chosen;
    form.changed();
  });
  const amount = stepper({
    label: "Of these spoilt", name, spoken: `spoilt, ${name}`, unit: isWhole(consumable) ? "" : consumable.unit, whole: isWhole(consumable), value: line.spoilt,
    onchange: (number) => { line.spoilt = number; form.changed(); },
  });
  return h("div", { role: "group", "aria-label": `Spoilt: ${name}` }, h("h3", {}, name), h("div", { class: "pair" }, amount, field("Why", why)), other);
}
