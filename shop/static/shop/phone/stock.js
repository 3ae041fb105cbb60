// What the book says is in the van, by this phone's latest news.

import { h } from "./elements.js";
import { nameOf } from "./lines.js";

export function stockOf(page) {
  const { stock, consumables } = page.bundle;
  const rows = consumables.filter(({ code }) => code in stock);
  const element = rows.length
    ? h("table", { class: "van-stock" }, h("caption", {}, `On board by the book, as of ${page.bundleTime()}`),
        h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "What"), h("th", { scope: "col", class: "number" }, "Held"), h("th", { scope: "col" }, "Unit"))),
        h("tbody", {}, rows.map((consumable) => rowOf(consumable, ...stock[consumable.code]))))
    : h("p", { class: "card" }, "Nothing is on board by the book.");
  return { title: "Stock", element };
}

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
