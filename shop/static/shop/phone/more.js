// Adding to a closed job what was forgotten: the same lines as in a close, starting from none.

import * as outbox from "./outbox.js";
import * as store from "./store.js";
import * as timer from "./timer.js";
import { button, h, misread } from "./elements.js";
import { closedJobs, furtherUses } from "./closed.js";
import { MORE, draftKey, lineProblem, startMore, usedLines } from "./draft.js";
import { linesOf } from "./lines.js";

export async function moreOf(page, reference) {
  const { bundle } = page;
  const person = bundle.person.username;
  const key = draftKey(person, MORE + reference);
  const job = (await closedJobs(bundle)).find((found) => found.job === reference);
  const kept = await store.get("drafts", key);
  if (!job && !kept) return page.missing("This closed job is not on the phone.");
  const draft = kept ?? startMore(person, reference);
  const catalogue = new Map(bundle.consumables.map((consumable) => [consumable.code, consumable]));
  const home = `#done/${encodeURIComponent(reference)}`;
  const alert = h("div", { role: "alert" });
  const say = (text) => alert.replaceChildren(h("p", { class: "note error" }, text));
  const handIn = new outbox.HandIn();
  const changed = () => !handIn.done && store.put("drafts", key, draft).catch((error) => say(store.failure(error)));
  const lines = linesOf({ draft, catalogue, stock: bundle.stock, changed });

  async function save() {
    if (handIn.done) return;
    timer.stop(draft);
    lines.tick();
    const wrong = misread(lines) || lineProblem(draft, catalogue);
    if (wrong) return say(wrong);
    if (!usedLines(draft).length) return say("Nothing is added yet. Choose or scan what was forgotten.");
    const entry = furtherUses({ ...draft, job: reference, after: job?.entry?.id });
    try {
      const second = draft.settles && (await store.get("outbox", draft.settles));
      await handIn.keep(entry, draft, ...(second ? [outbox.settled(second)] : []));
    } catch (error) {
      return say(store.failure(error));
    }
    return page.go(job ? home : "#sent", "It is kept on this phone and is sent automatically.");
  }

  const element = h("div", {},
    h("p", {}, "Add only what the close does not have yet. It counts on the day of the job."),
    lines, alert,
    h("div", { class: "act" }, h("a", { href: job ? home : "#sent", class: "button quiet" }, "Later"), button("Add to the job", save)));
  const ticking = setInterval(() => (element.isConnected ? lines.tick() : clearInterval(ticking)), 1000);
  return { title: `Add to ${reference}`, element, isForm: true };
}
