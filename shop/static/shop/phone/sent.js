// What was closed and counted on this phone: waiting, received, or in need of attention with the reason.

import * as clock from "./clock.js";
import * as outbox from "./outbox.js";
import * as photos from "./photos.js";
import * as store from "./store.js";
import { button, confirmed, h } from "./elements.js";
import { draftKey } from "./draft.js";

const STATES = { waiting: "Waiting", received: "Received", attention: "Needs attention" };
const KINDS = { close: "Close of", count: "Count of" };

export async function sentOf(page) {
  const person = page.bundle.person.username;
  const entries = await outbox.entries();
  const pictures = await photos.standing();
  const own = entries.filter((entry) => entry.person === person);
  const element = h(
    "div",
    {},
    own.some((entry) => entry.state === "waiting") && button("Send now", () => { outbox.beEager(); outbox.flush(); }, { class: "wide" }),
    own.length === 0 && h("p", { class: "card" }, "Nothing was closed or counted on this phone yet."),
    h("ul", { class: "sent" }, own.map((entry) => itemOf(page, entry, pictures.get(entry.id)))),
  );
  return { title: "Sent", element };
}

function itemOf(page, entry, pictures) {
  const { state, answer } = entry;
  const at = entry.body.closed_at ?? entry.body.occurred_at;
  const when = clock.written(at ? Date.parse(at) : clock.guess(entry.stamp));
  return h(
    "li",
    { class: `card entry ${state}`, "data-id": entry.id },
    h("h2", {}, `${KINDS[entry.kind]} ${entry.title} `, h("span", { class: `tag ${state}` }, STATES[state])),
    h("p", { class: "soft" }, when, entry.doubtful && ", by the shop's clock: this phone's own was wrong"),
    state === "waiting" && h("p", {}, entry.reason || waitingFor(entry)),
    state === "attention" && h("p", { class: "alert" }, entry.reason),
    state === "attention" && entry.errors.length > 1 && h("ul", {}, entry.errors.map(errorText)),
    state === "received" && answer && !answer.created && h("p", {}, "It had arrived before and counts once."),
    state === "received" && answer?.findings?.length > 0 &&
      h("div", {}, h("p", {}, h("strong", {}, "Does this look right?")), h("ul", {}, answer.findings.map((text) => h("li", {}, text))),
        h("p", { class: "soft" }, "The close counts as it is. If something is wrong, tell the shop.")),
    pictures?.waiting > 0 && h("p", { class: "soft" }, `Photos that wait to go out: ${pictures.waiting}`),
    pictures?.refused.map((reason) => h("p", { class: "alert" }, `A photo was refused: ${reason}`)),
    actionsOf(page, entry),
  );
}

const waitingFor = (entry) =>
  entry.tried ? "It may have arrived; the phone asks again until it knows. It counts once." : "Kept on this phone until there is signal.";

const errorText = ({ line, field, value, expected }) =>
  h("li", {}, `${line ? `line ${line}: ` : ""}${field.replaceAll("_", " ")} ${value ?? ""} ${expected}`);

// What may have arrived can neither be changed nor dropped before the shop has said so.
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
  page.go(entry.kind === "close" ? `#close/${encodeURIComponent(draft.job)}` : "#count");
}

async function discard(entry) {
  const what = `${KINDS[entry.kind].toLowerCase()} ${entry.title}`;
  if (await confirmed(`Throw away the ${what}? The shop never hears of it.`, "Throw it away")) await outbox.discard(entry);
}
