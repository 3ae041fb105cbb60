// A draft of a close: what it starts with, what is wrong with it, and the document it becomes.

import { newId } from "./store.js";
import { rounded } from "./elements.js";

export const draftKey = (person, job) => `${person}|${job}`;

// Tells the drafts of what was forgotten from those of closes; no reference has a line break.
export const MORE = "\nmore ";

export const startMore = (person, job) => ({ id: newId(), person, job: MORE + job, lines: [], timed: {}, running: null });

const kindOf = (draft) => `${draft.job_type}|${draft.damage_type}`;

// Start the close of a booked job, or of one that nobody booked.
export function startDraft(bundle, job) {
  const draft = {
    id: newId(),
    person: bundle.person.username,
    job: job.reference,
    booked: Boolean(job.booked_for),
    job_type: job.job_type,
    damage_type: job.damage_type,
    glass: job.glass,
    length_mm: job.length_mm,
    in_primary_view: job.in_primary_view,
    existing_damage: job.existing_damage,
    price: Number(job.price),
    callback_of: job.callback_of,
    outcome: "",
    note: job.note,
    // The booked facts that the technician has changed: only these are sent when they are empty.
    touched: {},
    labour: 0,
    travel: 0,
    labourTyped: false,
    lines: [],
    timed: {},
    running: null,
  };
  prefill(draft, bundle);
  return draft;
}

// What needs no choice.
const only = (codes) => (codes.length === 1 ? codes[0] : "");

// A job that nobody booked: what kind it is, the technician says. Its reference is the van and the moment, which no other job of the van has.
export function unbooked(bundle, moment) {
  const stamp = new Date(moment).toISOString().slice(0, 19).replaceAll(/[-:]/g, "").replace("T", "-");
  return {
    reference: `${bundle.van}-${stamp}`.slice(-64),
    job_type: only(Object.keys(bundle.job_types)),
    damage_type: only(bundle.damage_types),
    glass: only(Object.keys(bundle.glass)),
    price: bundle.job_types[only(Object.keys(bundle.job_types))]?.price ?? "0",
    length_mm: null,
    in_primary_view: false,
    existing_damage: "",
    callback_of: "",
    note: "",
  };
}

// Fill in what such a job usually takes: by this technician, by the shop, or by the job type's standard.
export function prefill(draft, bundle) {
  const usual = bundle.usual[kindOf(draft)];
  const standard = bundle.job_types[draft.job_type];
  const uses = usual?.uses ?? standard?.uses ?? {};
  draft.labour = Math.round(Number(usual?.labour ?? standard?.minutes ?? 0));
  draft.travel = Math.round(Number(usual?.travel ?? 0));
  draft.source = !usual
    ? standard && "the standard of this service"
    : `${usual.own ? "what you usually take" : "what the shop usually takes"} (${usual.closes} closes)`;
  draft.lines = bundle.consumables
    .filter(({ code }) => uses[code])
    .map((consumable) => {
      const [quantity, minutes] = uses[consumable.code].map(Number);
      const whole = isWhole(consumable) ? Math.round(quantity) : rounded(quantity);
      return newLine(consumable.code, whole, Math.round(minutes));
    });
}

export const newLine = (code, quantity = 0, minutes = 0) => ({ code, quantity, minutes, spoilt: 0, reason: "" });

// Whether a consumable is counted in whole pieces.
export const isWhole = ({ kind }) => kind !== "measured";

export const gradeMinutes = (draft, catalogue) =>
  draft.lines.filter((line) => catalogue.get(line.code)?.grade).reduce((sum, line) => sum + (line.minutes || 0), 0);

// The first thing that is wrong with a draft's lines, or nothing.
export function lineProblem(draft, catalogue) {
  for (const line of draft.lines) {
    const name = catalogue.get(line.code)?.name ?? line.code;
    if (line.spoilt > 0 && !line.reason) return `${name}: say why ${line.spoilt} was spoilt.`;
  }
  return "";
}

// The first thing that keeps a draft from being closed, or nothing.
export function problem(draft, catalogue) {
  const wrong = lineProblem(draft, catalogue);
  if (wrong) return wrong;
  const unsaid = [["job_type", "service"], ["damage_type", "damage"], ["glass", "glass"]].find(([name]) => !draft[name]);
  if (unsaid) return `What kind of job was it? Choose the ${unsaid[1]}.`;
  if ([draft.labour, draft.travel, draft.price, draft.length_mm].some(Number.isNaN)) {
    return "One of the minutes, the price or the length cannot be read. Write it like 55 or 12.5.";
  }
  return draft.outcome ? "" : "How did it end? Choose an outcome.";
}

// The document of the API (PUT closes/{id}), except its moment, which is settled when it is sent.
export function closeBody(draft, bundle) {
  return {
    job: draft.job,
    van: bundle.van,
    technician: bundle.technician,
    job_type: draft.job_type,
    damage_type: draft.damage_type,
    glass: draft.glass,
    price: String(draft.price),
    labour_minutes: String(draft.labour),
    travel_minutes: String(draft.travel),
    outcome: draft.outcome,
    ...clearable(draft),
    uses: usedLines(draft),
  };
}

// Facts that stay as booked unless the close says otherwise; an empty one clears what was booked.
function clearable(draft) {
  const { length_mm: length, callback_of, in_primary_view, existing_damage, note } = draft;
  const said = { length_mm: length === null ? null : String(length), callback_of, in_primary_view, existing_damage, note };
  return Object.fromEntries(Object.entries(said).filter(([name, value]) => value || draft.touched?.[name]));
}

// The lines with a quantity or minutes.
export const usedLines = (draft) =>
  draft.lines
    .filter((line) => line.quantity > 0 || line.minutes > 0)
    .map((line) => ({
      consumable: line.code,
      quantity: String(line.quantity),
      minutes: String(line.minutes),
      spoilt: String(line.spoilt),
      spoilt_reason: line.spoilt > 0 ? line.reason : "",
    }));

// How lengths are shown: documents carry millimetres, an inch is 25.4 of them (ISO 80000-3).
const MM_PER = { mm: 1, in: 25.4 };

export const shownLength = (mm, { length_unit: unit }) => String(Math.round((Number(mm) / MM_PER[unit]) * 100) / 100);

export const readLength = (number, { length_unit: unit }) => rounded(number * MM_PER[unit]);
