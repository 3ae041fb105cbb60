// The closed jobs that the phone knows of, and what can still be added to one.

import * as clock from "./clock.js";
import * as outbox from "./outbox.js";
import { newLine, usedLines } from "./draft.js";
import { rounded } from "./elements.js";

const DAY_MS = 24 * 60 * 60_000;

// The ids of closes that were taken back on this phone.
export const takenBack = (entries) =>
  new Set(entries.filter(({ kind, state }) => kind === "correction" && state !== "attention").map(({ body }) => body.corrects_id));

// The closed jobs of a person, the latest first: those that the shop sent and those closed on this phone since.
export async function closedJobs(bundle) {
  const own = (await outbox.entries()).filter((entry) => entry.person === bundle.person.username);
  const gone = takenBack(own);
  // One that came second closed nothing.
  const closes = own.filter(({ kind, id, standing }) => kind === "close" && !gone.has(id) && !standing);
  const here = new Map(closes.map((entry) => [entry.title, entry]));
  const news = bundle.closed.filter(({ close }) => !gone.has(close));
  const known = new Set(news.map(({ job }) => job));
  // A close that can still be corrected in the queue is not a closed job yet.
  const fresh = closes.filter(({ title, state, tried }) => !known.has(title) && state !== "attention" && tried);
  return [...fresh.map((entry) => asClosed(entry, bundle)), ...news.map((job) => ({ ...job, entry: here.get(job.job) }))];
}

function asClosed(entry, bundle) {
  const { body, title } = entry;
  const booked = bundle.jobs.find(({ reference }) => reference === title);
  return {
    job: title, entry, close: entry.answer?.id ?? entry.id, closed_at: body.closed_at, customer: booked?.customer ?? "",
    job_type: body.job_type, damage_type: body.damage_type, outcome: body.outcome,
    took: Object.fromEntries(body.uses.map((use) => [use.consumable, [use.quantity, use.minutes]])),
    until: new Date(entry.saved + DAY_MS).toISOString(),
  };
}

export const whenClosed = ({ closed_at: at }) => (at ? clock.written(Date.parse(at)) : "");

// What a refused close has more of than the shop has of its job, as lines of a draft.
export const extraLines = ({ body, standing }) =>
  body.uses.map(({ consumable, quantity, minutes, spoilt, spoilt_reason: reason }) => {
    const [had, worked] = standing.took[consumable] ?? ["0", "0"];
    const more = Math.max(0, rounded(quantity - had));
    return { ...newLine(consumable, more, Math.max(0, rounded(minutes - worked))), spoilt: Math.min(spoilt, more), reason };
  }).filter((line) => line.quantity || line.minutes);

// The document that adds what was forgotten, as an entry.
export const furtherUses = ({ id, person, job, lines, after }) =>
  outbox.newEntry({ id, kind: "use", person, title: job, job, after, body: { job, lines: usedLines({ lines }) } });
