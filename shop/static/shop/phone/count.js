// A blind count of a shelf: what is found, without showing what the book says. Empty means not counted.

import * as outbox from "./outbox.js";
import * as store from "./store.js";
import { button, h, misread, stepper } from "./elements.js";
import { draftKey, isWhole } from "./draft.js";
import { newId } from "./store.js";
import { pickOrScan } from "./scan.js";

// The key of the count among the drafts of jobs; no job reference has a line break.
const COUNT = "\ncount";

export async function countOf(page) {
  const { bundle } = page;
  const person = bundle.person.username;
  const key = draftKey(person, COUNT);
  const catalogue = new Map(bundle.consumables.map((consumable) => [consumable.code, consumable]));
  const draft = (await store.get("drafts", key)) ?? { id: newId(), person, job: COUNT, found: {}, added: [] };
  const alert = h("div", { role: "alert" });
  const handIn = new outbox.HandIn();
  const say = (text) => alert.replaceChildren(h("p", { class: "note error" }, text));
  const keep = () => !handIn.done && store.put("drafts", key, draft).catch((error) => say(store.failure(error)));
  const rows = h("div", { class: "lines card" });
  const show = (consumable) => rows.append(stepper({
    label: consumable.name, name: consumable.name, unit: consumable.unit, whole: isWhole(consumable),
    empty: true, value: draft.found[consumable.code] ?? "",
    onchange: (number) => { draft.found[consumable.code] = number; keep(); },
  }));
  const listed = new Set([...Object.keys(bundle.stock), ...draft.added]);
  bundle.consumables.filter(({ code }) => listed.has(code)).forEach(show);
  const add = (code) => {
    if (listed.has(code)) return false;
    listed.add(code);
    draft.added.push(code);
    show(catalogue.get(code));
    keep();
    return true;
  };

  async function save() {
    if (handIn.done) return;
    const found = Object.entries(draft.found).filter(([, number]) => number !== null);
    const unread = misread(rows);
    if (unread) return say(unread);
    if (!found.length) return say("Nothing is counted yet. Enter what you found, 0 where nothing is left.");
    const lines = found.map(([code, number]) => ({ place: bundle.van, consumable: code, quantity: String(number) }));
    const entry = outbox.newEntry({ id: draft.id, kind: "count", person, title: `${bundle.van}, ${lines.length} kinds`, body: { lines } });
    try {
      await handIn.keep(entry, draft);
    } catch (error) {
      return say(store.failure(error));
    }
    return page.go("#sent", "The count is kept on this phone and is sent automatically.");
  }

  const element = h("div", {},
    h("p", { class: "soft" }, "Enter what you find on the shelf. Leave empty what you did not count."),
    rows, pickOrScan({ catalogue, stock: bundle.stock, add }), alert,
    button("Hand in the count", save, { class: "wide" }));
  return { title: "Count", element };
}
