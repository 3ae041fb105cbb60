// Today's jobs of the van, earlier ones that are still open, and tomorrow's.

import * as outbox from "./outbox.js";
import * as photos from "./photos.js";
import * as store from "./store.js";
import { button, confirmed, counted, h } from "./elements.js";
import { closedJobs, takenBack, whenClosed } from "./closed.js";
import { MORE, draftKey, shownLength } from "./draft.js";
import { openQuestions } from "./questions.js";

const STATES = { waiting: "closed, waiting to go out", received: "closed", attention: "needs attention" };

export async function jobsOf(page) {
  const { bundle } = page;
  const person = bundle.person.username;
  const own = (await outbox.entries()).filter((entry) => entry.person === person);
  const gone = takenBack(own);
  const closed = new Map(own.filter(({ kind, id }) => kind === "close" && !gone.has(id)).map((entry) => [entry.title, entry]));
  const drafts = (await store.all("drafts")).filter((draft) => draft.person === person && draft.lines && !draft.job.startsWith(MORE));
  const asked = (await openQuestions(bundle)).length;
  const done = await closedJobs(bundle);
  const started = new Map(drafts.map((draft) => [draft.job, draft]));
  const booked = new Set(bundle.jobs.map((job) => job.reference));
  const card = (job) => cardOf(page, job, closed.get(job.reference), started.get(job.reference));
  const today = bundle.jobs.filter((job) => job.booked_for <= bundle.today);
  const later = bundle.jobs.filter((job) => job.booked_for > bundle.today);
  const loose = drafts.filter((draft) => !booked.has(draft.job)).map((draft) => looseCard(page, draft));
  const element = h(
    "div",
    {},
    asked > 0 && h("a", { href: "#questions", class: "card go" }, h("strong", {}, counted(asked, "question")), " about what you closed"),
    bundle.under_way > 0 && h("a", { href: page.restocks, class: "card go" }, h("strong", {}, "A restock is on its way"), ": confirm what arrived, with signal"),
    loose,
    today.length ? today.map(card) : h("p", { class: "card" }, "No job is booked for today."),
    h("a", { href: "#new", class: "button quiet wide" }, "Close a job that is not listed"),
    later.length > 0 && h("section", { "aria-labelledby": "later" }, h("h2", { id: "later" }, "Tomorrow"), later.map(card)),
    done.length > 0 && h("details", { class: "card" }, h("summary", {}, `Closed recently: ${done.length}`), h("ul", { class: "sent" }, done.map((job) =>
      h("li", {}, h("a", { href: `#done/${encodeURIComponent(job.job)}`, class: "tap" }, `${job.customer || job.job}, ${whenClosed(job)}`))))),
    h("p", {}, h("a", { href: "/", class: "tap" }, "Restocks, sign-ins and the rest, with signal")),
    h("footer", { class: "cautions", "aria-label": "Cautions" }, h("ul", {}, [
      "Protect eyes and ears, wear gloves, and keep the work wet so that no dust flies.",
      "Glass may get warm to the hand, not hotter: stop and let it cool.",
      "Near water, plug tools into a protected supply only.",
    ].map((caution) => h("li", {}, caution)))),
  );
  return { title: "Jobs", element };
}

function cardOf(page, job, entry, draft) {
  const { bundle } = page;
  const service = bundle.job_types[job.job_type]?.name ?? job.job_type;
  const late = job.booked_for < bundle.today;
  const length = job.length_mm === null ? "" : `, ${shownLength(job.length_mm, bundle)} ${bundle.length_unit}`;
  const action = entry
    ? h("a", { href: "#sent", class: `tag ${entry.state}` }, STATES[entry.state])
    : h("a", { href: `#close/${encodeURIComponent(job.reference)}`, class: "button", "aria-label": `${draft ? "Continue" : "Close"} ${job.reference}` },
        draft ? "Continue the close" : "Close this job");
  return h(
    "article",
    { class: "card job" },
    h("h2", {}, job.customer || service, " ", h("span", { class: "soft" }, job.site)),
    late && h("p", { class: "tag" }, `booked for ${job.booked_for}, still open`),
    h("p", {}, `${service}: ${job.damage_type} on ${job.glass}${length}`, h("small", { class: "soft" }, job.reference)),
    job.address && h("p", { class: "address" }, job.address),
    job.in_primary_view && h("p", { class: "caution" }, "In the driver's primary viewing area: a repair may be forbidden here."),
    bundle.glass[job.glass] && h("p", { class: "caution" }, bundle.glass[job.glass]),
    job.existing_damage && h("p", {}, h("strong", {}, "Existing damage: "), job.existing_damage),
    job.note && h("p", {}, job.note),
    action,
  );
}

function looseCard(page, draft) {
  const drop = async () => {
    if (!(await confirmed(`Delete what was entered for ${draft.job}?`, "Delete it"))) return;
    await store.remove("drafts", draftKey(draft.person, draft.job));
    await photos.forget(draft.id);
    page.show();
  };
  return h("article", { class: "card job" },
    h("h2", {}, draft.job), h("p", { class: "tag" }, "started, not closed"),
    h("div", { class: "row" }, h("a", { href: `#close/${encodeURIComponent(draft.job)}`, class: "button" }, "Continue the close"),
      button("Delete", drop, { class: "quiet" })));
}
