// What is in the van by the book, as the shop last sent it.

import * as clock from "./clock.js";
import { h } from "./elements.js";
import { nameOf } from "./lines.js";

export function stockOf(page) {
  const { stock, consumables, gifts } = page.bundle;
  const rows = consumables.filter(({ code }) => code in stock);
  const element = rows.length
    ? h("table", { class: "van-stock" }, h("caption", {}, `On board by the book, as of ${page.bundleTime()}`),
        h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "What"), h("th", { scope: "col", class: "number" }, "Held"), h("th", { scope: "col" }, "Unit"))),
        h("tbody", {}, rows.map((consumable) => rowOf(consumable, ...stock[consumable.code]))))
    : h("p", { class: "card" }, "Nothing is on board by the book.");
  const given = gifts.length > 0 && h("section", { "aria-labelledby": "given" }, h("h2", { id: "given" }, "Given to this van"),
    h("ul", { class: "card plain" }, gifts.map((gift) => h("li", {}, `${gift.quantity} ${nameIn(consumables, gift.consumable)} from ${gift.source}, ${clock.written(Date.parse(gift.at))}, by ${gift.by}`))),
    h("p", { class: "soft" }, "Not right? Tell the storekeeper, who can undo it."));
  const give = h("a", { href: "#give", class: "button wide" }, "Hand stock to a van or the depot");
  return { title: "Stock", element: h("div", {}, give, element, given) };
}

const nameIn = (consumables, code) => consumables.find((consumable) => consumable.code === code)?.name ?? code;

function rowOf({ name, unit, grade }, held, level) {
  const below = Number(held) < 0;
  const low = level !== null && Number(held) <= Number(level);
  return h(
    "tr",
    {},
    h("th", { scope: "row" }, grade && h("span", { class: "grade" }, grade), ` ${nameOf({ name, grade })} `,
      below ? h("span", { class: "tag" }, "count it") : low && h("span", { class: "tag" }, "low")),
    h("td", { class: "number" }, held),
    h("td", {}, unit),
  );
}
