// What was closed and counted on this phone: waiting, received, or in need of attention with the reason.

import * as clock from "./clock.js";
import * as outbox from "./outbox.js";
import * as photos from "./photos.js";
import * as store from "./store.js";
import { button, confirmed, counted, h } from "./elements.js";
import { closedJobs, extraLines } from "./closed.js";
import { MORE, draftKey, startMore } from "./draft.js";
import { openQuestions } from "./questions.js";

const STATES = { waiting: "Waiting", received: "Received", attention: "Needs attention" };
const KINDS = {
  close: "Close of", count: "Count of", use: "More used on", return: "Back on board from", transfer: "Handed over:",
  correction: "Take-back of", answer: "Answer about",
};

export const nameOf = ({ kind, title }) => `${KINDS[kind].toLowerCase()} ${title}`;

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
  const { state, answer, standing } = entry;
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
    state === "attention" && !standing && h("p", { class: "alert" }, entry.reason),
    standing && cameSecond(page, entry),
    state === "attention" && entry.errors.length > 1 && h("ul", {}, entry.errors.map(errorText)),
    state === "received" && answer?.created === false && h("p", {}, "It had arrived before and counts once."),
    isClose && asked.has(entry.title) && h("p", {}, h("a", { href: "#questions", class: "tap" }, counted(asked.get(entry.title), "question"))),
    isClose && closed.has(entry.title) && h("p", {}, h("a", { href: `#done/${encodeURIComponent(entry.title)}`, class: "tap" }, "Forgot something, or a mistake?")),
    pictures?.waiting > 0 && h("p", { class: "soft" }, `Photos that wait to go out: ${pictures.waiting}. They go after all closes.`),
    pictures?.refused.map((reason) => h("p", { class: "alert" }, `A photo was refused: ${reason}`)),
    actionsOf(page, entry),
  );
}

function waitingFor(entry, first) {
  const { reached, person, going } = outbox.way;
  if (first) return `Goes out after: ${nameOf(first)}.`;
  if (going === entry.id) return "Going out now.";
  if (entry.tried) return "It may have arrived; the phone asks again until it knows. It counts once.";
  if (reached === false) return "Kept on this phone until there is signal.";
  if (reached && person !== entry.person) return `Kept on this phone until ${entry.person} has signed in.`;
  return "Kept on this phone. It is sent automatically, after what was closed before it.";
}

const errorText = ({ line, field, value, expected }) =>
  h("li", {}, `${line ? `line ${line}: ` : ""}${field.replaceAll("_", " ")} ${value ?? ""} ${expected}`);

// Somebody else had closed the job: both closes in plain words, and a way on that cannot run into this again.
function cameSecond(page, entry) {
  const { standing, person, state, body } = entry;
  const who = standing.username === person ? "You closed this job on another phone" : `${standing.by} closed this job`;
  const facts = `${who}, ${clock.written(Date.parse(standing.closed_at))}: ${standing.outcome}.`;
  const counts = state === "attention" ? "That close counts. This one does not; the owner sees both." : "That close counts, not this one.";
  const extra = extraLines(entry);
  const name = (code) => page.bundle.consumables.find((consumable) => consumable.code === code)?.name ?? code;
  const unit = ({ code, quantity, minutes }) => [quantity > 0 && `${quantity} ${name(code)}`, minutes > 0 && `${minutes} minutes${quantity > 0 ? "" : ` with ${name(code)}`}`].filter(Boolean).join(", ");
  const differs = body.outcome !== standing.outcome && `You said: ${body.outcome}.`;
  return h("div", {}, h("p", { class: state === "attention" && "alert" }, `${facts} ${counts}`),
    state === "attention" && [
      differs && h("p", {}, differs),
      h("p", {}, extra.length ? "What you entered and the shop does not have:" : "The shop has all the material and minutes that you entered."),
      extra.length > 0 && h("ul", {}, extra.map((line) => h("li", {}, unit(line)))),
      h("div", { class: "row" },
        button("Keep the first", () => outbox.settleForFirst(entry)),
        extra.length > 0 && button("Add my extra", () => addExtra(page, entry, extra))),
    ]);
}

async function addExtra(page, entry, extra) {
  const key = draftKey(entry.person, MORE + entry.title);
  const kept = (await store.get("drafts", key)) ?? startMore(entry.person, entry.title);
  const added = extra.filter(({ code }) => !kept.lines.some((line) => line.code === code));
  await store.put("drafts", key, { ...kept, lines: [...kept.lines, ...added], settles: entry.id });
  page.go(`#more/${encodeURIComponent(entry.title)}`);
}

// What may have arrived can neither be changed nor dropped before the shop has said so.
function actionsOf(page, entry) {
  const unsent = entry.state === "waiting" && !entry.tried;
  const refused = entry.state === "attention";
  if ((!unsent && !refused) || entry.standing) return null;
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
  const what = `${nameOf(entry)}${more ? `, and ${more} more that waits for it` : ""}`;
  const seen = entry.isKept
    ? "The shop keeps what you sent, and the owner goes on seeing it among what was refused."
    : entry.tried ? "The shop refused it and has kept nothing of it." : "The shop never receives it.";
  if (await confirmed(`Delete the ${what} from this phone? ${seen}`, "Delete it")) await outbox.discard(entry);
}
