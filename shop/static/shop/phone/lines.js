// The lines of a close: one for each grade and other consumable, with steppers, timer and what was spoilt.

import { button, field, h, select, stepper } from "./elements.js";
import * as timer from "./timer.js";
import { newLine } from "./draft.js";
import { pickOrScan } from "./scan.js";

const REASONS = ["torn", "clogged", "dropped in dirt", "wrong grade", "dried out", "spilt"];
const OTHER = "other";

// `form` has { draft, catalogue, stock, changed }: changed() keeps the draft and refreshes what depends on it.
export function linesOf(form) {
  const discs = h("div", { class: "lines" });
  const rest = h("div", { class: "lines" });
  const clocks = [];
  const show = (line, isNew = false) => {
    const consumable = form.catalogue.get(line.code) ?? { code: line.code, name: line.code, unit: "", grade: "", kind: "measured" };
    const element = lineOf(form, line, consumable, clocks);
    (consumable.grade ? discs : rest).append(element);
    if (isNew) element.querySelector("button.step:last-of-type")?.focus();
  };
  form.draft.lines.forEach((line) => show(line));
  const add = (code) => {
    const there = form.draft.lines.find((line) => line.code === code);
    if (!there) {
      const line = newLine(code);
      form.draft.lines.push(line);
      show(line, true);
      form.changed();
    }
    return !there;
  };
  const element = h(
    "div",
    {},
    h("section", { "aria-labelledby": "discs" },
      h("h2", { id: "discs" }, "Discs, coarse to fine"),
      h("p", { class: "soft" }, `Filled in from ${form.draft.source}.`),
      h("p", { class: "caution" }, "Eyes, ears, gloves; keep it wet, so that no dust flies."),
      discs),
    h("section", { "aria-labelledby": "rest" }, h("h2", { id: "rest" }, "Also used"), rest,
      pickOrScan({ catalogue: form.catalogue, stock: form.stock, add })),
  );
  element.tick = () => clocks.forEach((refresh) => refresh());
  return element;
}

function lineOf(form, line, consumable, clocks) {
  const { draft, stock } = form;
  const { code, name, grade, kind } = consumable;
  const isPart = kind === "worn";
  const whole = kind !== "measured";
  const unit = kind === "measured" ? consumable.unit : "";
  const quantity = stepper({
    label: isPart ? "Replaced" : "Used", name, unit, whole, value: line.quantity,
    step: kind === "measured" ? 5 : 1,
    onchange: (number) => { line.quantity = number; form.changed(); },
  });
  const minutes = stepper({
    label: "Minutes", name, value: line.minutes,
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
  const isTimed = Boolean(grade) || isPart;
  const clock = isTimed ? timerButton(form, line, name, minutes, clocks) : null;
  const held = stock[code]?.[0];
  return h(
    "div",
    { class: "card line", role: "group", "aria-label": name },
    h("div", { class: "line-head" },
      h("h3", {}, grade && h("span", { class: "grade" }, grade), " ", grade ? name.replace(grade, "").replace(/ ,/, ",").trim() : name,
        held !== undefined && h("small", { class: "soft" }, `${held} ${consumable.unit} on board`)),
      clock),
    h("div", { class: isTimed ? "pair" : "" }, quantity, isTimed && minutes),
    spoiltOf(form, line, { name, unit, whole }),
  );
}

function timerButton(form, line, name, minutes, clocks) {
  const { draft } = form;
  const { code } = line;
  const clock = button("", toggle, { class: "timer", "aria-label": `Time ${name}` });
  const heat = h("p", { class: "caution heat", hidden: true }, "Warm to the hand, not hotter: keep it moving and wet.");
  function toggle() {
    if (timer.isRunning(draft, code)) timer.stop(draft);
    else timer.start(draft, code, line.typed ? line.minutes || 0 : 0);
    refresh();
    form.changed();
  }
  function refresh() {
    const runs = timer.isRunning(draft, code);
    clock.textContent = runs ? `■ ${timer.shown(draft, code)}` : `▶ ${draft.timed[code] ? timer.shown(draft, code) : "Time"}`;
    clock.setAttribute("aria-pressed", String(runs));
    heat.hidden = !runs;
    if (draft.timed[code] === undefined) return;
    line.minutes = timer.minutes(draft, code);
    if (document.activeElement !== minutes.input) minutes.show(line.minutes);
  }
  clocks.push(refresh);
  refresh();
  return h("div", { class: "timing" }, clock, heat);
}

function spoiltOf(form, line, { name, unit, whole }) {
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
    label: "Of these spoilt", name, unit, whole, value: line.spoilt,
    onchange: (number) => { line.spoilt = number; form.changed(); },
  });
  return h("details", { class: "spoilt", open: line.spoilt > 0 }, h("summary", {}, "Spoilt", h("span", { class: "unseen" }, ` ${name}`)),
    h("div", { class: "pair" }, amount, field("Why", why)), other);
}
