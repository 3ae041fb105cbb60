// The page of a closed job: what it took by the book, what was forgotten, and taking the close back.

import * as clock from "./clock.js";
import * as outbox from "./outbox.js";
import * as store from "./store.js";
import { button, confirmed, h } from "./elements.js";
import { closedJobs, takenBack, whenClosed } from "./closed.js";
import { draftKey } from "./draft.js";
import { stateOf } from "./sent.js";

export async function doneOf(page, reference) {
  const { bundle } = page;
  const job = (await closedJobs(bundle)).find((found) => found.job === reference);
  if (!job) return page.missing("This closed job is not on the phone.");
  const further = (await outbox.entries()).filter(
    (entry) => entry.person === bundle.person.username && entry.job === reference && ["use", "return", "correction"].includes(entry.kind));
  const element = h("div", {},
    h("section", { class: "card job", "aria-label": "The job" },
      h("p", {}, [job.customer, whenClosed(job)].filter(Boolean).join(", ")),
      h("p", { class: "soft" }, `${bundle.job_types[job.job_type]?.name ?? job.job_type}: ${job.damage_type}, ${job.outcome}`)),
    tookTable(job, bundle),
    further.length > 0 && h("ul", { class: "sent", "aria-label": "Added since" }, further.map((entry) =>
      h("li", { class: "card" }, h("strong", {}, textOf(entry, bundle)), " ", stateOf(entry), entry.state === "attention" && h("p", { class: "alert" }, entry.reason)))),
    h("a", { href: `#more/${encodeURIComponent(reference)}`, class: "button wide" }, "Add what was forgotten"),
    mistake(page, job));
  return { title: reference, element };
}

function tookTable(job, { consumables }) {
  const rows = consumables.filter(({ code }) => job.took[code]);
  if (!rows.length) return h("p", { class: "card" }, "Nothing is logged for this job.");
  const amount = ({ code, unit }) => `${job.took[code][0]}${unit === "each" ? "" : ` ${unit}`}`;
  return h("table", {}, h("caption", {}, "What it took, in the shop's books"),
    h("thead", {}, h("tr", {}, ["What", "Used", "Minutes"].map((text, column) => h("th", { scope: "col", class: column && "number" }, text)))),
    h("tbody", {}, rows.map((row) => h("tr", {}, h("th", { scope: "row" }, row.name),
      h("td", { class: "number" }, amount(row)), h("td", { class: "number" }, Number(job.took[row.code][1]) ? job.took[row.code][1] : "")))));
}

function textOf({ kind, body }, { consumables }) {
  if (kind === "correction") return "The close is taken back";
  const name = (code) => consumables.find((consumable) => consumable.code === code)?.name ?? code;
  const said = body.lines.map((line) => `${line.quantity} ${name(line.consumable)}`).join(", ");
  return kind === "use" ? `Added: ${said}` : `Back on board: ${said}`;
}

function mistake(page, job) {
  const inTime = job.until && Date.parse(job.until) > clock.guess(clock.stamp());
  const draft = job.entry?.draft;
  const body = inTime
    ? [h("p", {}, "You can take back your own close within a day. What it took is back on board, and the job is open again."),
        draft && button("Take back and correct it", () => takeBack(page, job, draft), { class: "wide quiet" }),
        button("Take back: not this job", () => takeBack(page, job), { class: "wide quiet" })]
    : h("p", {}, "Only an owner can change this close now, because it is older than a day or somebody else entered it. Tell the owner what is wrong.");
  return h("details", { class: "card" }, h("summary", {}, "Closed by mistake, or a wrong minute?"), body);
}

async function takeBack(page, job, draft) {
  if (!(await confirmed(`Take back the close of ${job.job}? It no longer counts.`, "Take it back"))) return;
  const person = page.bundle.person.username;
  const own = (await outbox.entries()).filter((entry) => entry.person === person);
  // Two taps on two pages of this phone take the close back once.
  if (takenBack(own).has(job.close)) return page.go("#jobs");
  const body = { corrects_kind: "close", corrects_id: job.close, reason: "closed by mistake" };
  const entry = outbox.newEntry({ kind: "correction", person, title: job.job, job: job.job, body, after: job.entry?.id });
  await outbox.add(entry);
  if (!draft) return page.go("#sent", `The close of ${job.job} is taken back.`);
  // The new draft starts with what was entered, has a new id, and is sent after the first close is taken back.
  const again = { ...structuredClone(draft), id: store.newId(), after: entry.id, stamp: undefined };
  await store.put("drafts", draftKey(person, draft.job), again);
  return page.go(`#close/${encodeURIComponent(draft.job)}`, "The first close is taken back. Correct it and close again.");
}
