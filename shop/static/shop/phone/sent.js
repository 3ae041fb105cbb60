// What was closed and counted on this phone: waiting, received, or in need of attention with the reason.

import * as clock from "./clock.js";
import * as outbox from "./outbox.js";
import * as photos from "./photos.js";
import * as store from "./store.js";
import { button, confirmed, h } from "./elements.js";
import { closedJobs } from "./closed.js";
import { draftKey } from "./draft.js";
import { openQuestions } from "./questions.js";

const STATES = { waiting: "Waiting", received: "Received", attention: "Needs attention" };
const KINDS = {
  close: "Close of", count: "Count of", use: "More used on", return: "Back on board from", transfer: "Handed over:",
  correction: "Take-back of", answer: "Answer about",
};

export const stateOf = ({ state }) => h("span", { class: `tag ${state}` }, STATES[state]);

export async function sentOf(page) {
  const person = page.bundle.person.username;
  const entries = await outbox.entries();
  const pictures = await photos.standing();
  const own = entries.filter((entry) => entry.person === person);
  const closed = new Set((await closedJobs(page.bundle)).map(({ job }) => job));
  const asked = new Map();
  for (const { job } of await openQuestions(page.bundle)) asked.set(job, (asked.get(job) ?? 0) + 1);
  const open = new Map(own.filter(outbox.isOpen).map((entry) => [entry.id, entry]));
  const element = h(
    "div",
    {},
    own.some((entry) => entry.state === "waiting") && button("Send now", () => { outbox.resetPause(); outbox.flush(); }, { class: "wide" }),
    own.length === 0 && h("p", { class: "card" }, "Nothing was closed or counted on this phone yet."),
    h("ul", { class: "sent" }, own.map((entry) => itemOf(page, entry, { pictures: pictures.get(entry.id), closed, asked, waitsFor: open.get(entry.after) }))),
  );
  return { title: "Sent", element };
}

function itemOf(page, entry, { pictures, closed, asked, waitsFor }) {
  const { state, answer } = entry;
  const isClose = entry.kind === "close";
  const at = entry.body.closed_at ?? entry.body.occurred_at;
  const when = clock.written(at ? Date.parse(at) : clock.guess(entry.stamp));
  return h(
    "li",
    { class: `card entry ${state}`, "data-id": entry.id },
    h("h2", {}, `${KINDS[entry.kind]} ${entry.title} `, stateOf(entry)),
    h("p", { class: "soft" }, when, entry.doubtful && ", by the shop's clock: this phone's own was wrong"),
    entry.kind === "answer" && h("p", {}, entry.body.answer),
    state === "waiting" && h("p", {}, entry.reason || waitingFor(entry, waitsFor)),
    state === "attention" && h("p", { class: "alert" }, entry.reason),
    state === "attention" && entry.errors.length > 1 && h("ul", {}, entry.errors.map(errorText)),
    state === "received" && answer?.created === false && h("p", {}, "It had arrived before and counts once."),
    isClose && asked.has(entry.title) && h("p", {}, h("a", { href: "#questions", class: "tap" }, counted(asked.get(entry.title), "question"))),
    isClose && closed.has(entry.title) && h("p", {}, h("a", { href: `#done/${encodeURIComponent(entry.title)}`, class: "tap" }, "Forgot something, or a mistake?")),
    pictures?.waiting > 0 && h("p", { class: "soft" }, `Photos that wait to go out: ${pictures.waiting}`),
    pictures?.refused.map((reason) => h("p", { class: "alert" }, `A photo was refused: ${reason}`)),
    actionsOf(page, entry),
  );
}

export const counted = (number, thing) => `${number} ${thing}${number === 1 ? "" : "s"}`;

const waitingFor = (entry, first) =>
  first ? `Goes out after: ${KINDS[first.kind].toLowerCase()} ${first.title}.` : entry.tried ? "It may have arrived; the phone asks again until it knows. It counts once." : "Kept on this phone until there is signal.";

const errorText = ({ line, field, value, expected }) =>
  h("li", {}, `${line ? `line ${line}: ` : ""}${field.replaceAll("_", " ")} ${value ?? ""} ${expected}`);

// What may have arrived cannot be changed or dropped before the shop has answered.
function actionsOf(page, entry) {
  const unsent = entry.state === "waiting" && !entry.tried;
  const refused = entry.state === "attention";
  if (!unsent && !refused) return null;
  return h(
    "div",
    { class: "row" },
    entry.first
      ? button("Keep what the shop has", () => outbox.settleForFirst(entry))
      : entry.draft && button("Correct", () => correct(page, entry)),
    !entry.first && button("Discard", () => discard(entry), { class: "quiet" }),
  );
}

async function correct(page, entry) {
  // Held back, so that the old content does not go out while the new one is written.
  await outbox.holdBack(entry);
  const { draft } = entry;
  await store.put("drafts", draftKey(draft.person, draft.job), { ...draft, stamp: entry.stamp });
  page.go({ close: `#close/${encodeURIComponent(draft.job)}`, use: `#more/${encodeURIComponent(entry.job)}`, count: "#count", transfer: "#give" }[entry.kind]);
}

async function discard(entry) {
  const more = (await outbox.dependents(entry)).length;
  const what = `${KINDS[entry.kind].toLowerCase()} ${entry.title}${more ? `, and ${more} more that waits for it` : ""}`;
  if (await confirmed(`Delete the ${what}? The shop never receives it.`, "Delete it")) await outbox.discard(entry);
}
