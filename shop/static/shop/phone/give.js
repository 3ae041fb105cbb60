// A transfer from one's own van to another van or the depot; the giver enters it.

import * as outbox from "./outbox.js";
import * as store from "./store.js";
import { button, field, h, misread, select, stepper } from "./elements.js";
import { draftKey, isWhole } from "./draft.js";
import { newId } from "./store.js";
import { pickOrScan } from "./scan.js";

const GIVE = "\ngive";

export async function giveOf(page) {
  const { bundle } = page;
  const person = bundle.person.username;
  const key = draftKey(person, GIVE);
  const catalogue = new Map(bundle.consumables.map((consumable) => [consumable.code, consumable]));
  const draft = (await store.get("drafts", key)) ?? { id: newId(), person, job: GIVE, to: "", given: {}, note: "" };
  const alert = h("div", { role: "alert" });
  const handIn = new outbox.HandIn();
  const say = (text) => alert.replaceChildren(h("p", { class: "note error" }, text));
  const keep = () => !handIn.done && store.put("drafts", key, draft).catch((error) => say(store.failure(error)));
  const rows = h("div", { class: "lines" });
  const show = (code) => {
    const consumable = catalogue.get(code) ?? { name: code, unit: "", kind: "measured" };
    const { name, unit } = consumable;
    const held = bundle.stock[code]?.[0] ?? "0";
    const warning = h("small", { class: "caution" }, "More than the book has on board. It is sent as you enter it.");
    const judge = () => (warning.hidden = !(draft.given[code] > Number(held)));
    judge();
    rows.append(h("div", { class: "card" },
      stepper({
        label: name, name, unit: `${unit === "each" ? "" : `${unit}, `}${held} on board`, whole: isWhole(consumable),
        step: isWhole(consumable) ? 1 : 50, value: draft.given[code],
        onchange: (number) => { draft.given[code] = number; judge(); keep(); },
      }), warning));
  };
  Object.keys(draft.given).forEach(show);
  const add = (code) => {
    if (code in draft.given) return false;
    draft.given[code] = isWhole(catalogue.get(code)) ? 1 : 0;
    show(code);
    keep();
    return true;
  };
  const note = h("input", { type: "text", maxlength: 200, autocomplete: "off", value: draft.note, oninput: () => { draft.note = note.value; keep(); } });
  const places = [["", "Choose"], ...bundle.places.map(({ code, name }) => [code, `${code}: ${name}`])];

  async function save() {
    if (handIn.done) return;
    const given = Object.entries(draft.given).filter(([, quantity]) => quantity !== 0);
    if (!draft.to) return say("Who gets it? Choose a van or the depot.");
    const unread = misread(rows);
    if (unread) return say(unread);
    if (!given.length) return say("Nothing is handed over yet. Choose or scan what you give.");
    const lines = given.map(([consumable, quantity]) => ({ consumable, quantity: String(quantity) }));
    const kinds = lines.length === 1 ? "1 kind" : `${lines.length} kinds`;
    const body = { source: bundle.van, destination: draft.to, lines, note: draft.note.trim() };
    const entry = outbox.newEntry({ id: draft.id, kind: "transfer", person, title: `${kinds} to ${draft.to}`, body });
    try {
      await handIn.keep(entry, draft);
    } catch (error) {
      return say(store.failure(error));
    }
    return page.go("#sent", "It is kept on this phone and is sent automatically.");
  }

  const element = h("div", {},
    h("p", { class: "soft" }, "The giver enters it here; the receiver enters nothing."),
    field("Who gets it", select(places, draft.to, (to) => { draft.to = to; keep(); })),
    rows, pickOrScan({ catalogue, stock: bundle.stock, add }),
    field("Note, if you like", note), alert,
    button("Hand it over", save, { class: "wide" }));
  return { title: "Hand over", element };
}
