// The close form. Every change is kept at once, so that a killed tab loses nothing.

import * as clock from "./clock.js";
import * as outbox from "./outbox.js";
import * as store from "./store.js";
import * as timer from "./timer.js";
import { button, checkbox, field, h, misread, readNumber, select, stepper } from "./elements.js";
import { closeBody, draftKey, gradeMinutes, prefill, problem, readLength, shownLength, startDraft, unbooked } from "./draft.js";
import { linesOf } from "./lines.js";
import { photosOf } from "./photos.js";

const OUTCOMES = { removed: "Removed", reduced: "Reduced", "not removable": "Not removable", abandoned: "Abandoned" };
const FULL =
  "This phone's storage is full, so it could not keep this. Leave the page open, free some space (photos, " +
  "downloads) and try again; with signal, “Send now” sends it to the shop without keeping it here.";

// Open the form of a booked job, or of a new one when `reference` is empty.
export async function formOf(page, reference) {
  const { bundle } = page;
  const job = bundle.jobs.find((found) => found.reference === reference);
  const kept = await store.get("drafts", draftKey(bundle.person.username, reference));
  if (!kept && reference && !job) return page.missing("This job is not on the phone. It may be closed already.");
  const draft = kept ?? startDraft(bundle, job ?? unbooked(bundle, clock.guess(clock.stamp())));
  // A new job has an address of its own from now on, so that going back to it does not start another one.
  if (!reference) history.replaceState(null, "", `#close/${encodeURIComponent(draft.job)}`);
  return new Form(page, draft, job).build();
}

class Form {
  handIn = new outbox.HandIn();

  constructor(page, draft, job) {
    this.page = page;
    this.draft = draft;
    this.job = job;
    this.catalogue = new Map(page.bundle.consumables.map((consumable) => [consumable.code, consumable]));
    this.stock = page.bundle.stock;
    this.alert = h("div", { role: "alert" });
  }

  // Keep the draft, and let the labour follow the minutes on grades as long as nobody set it.
  changed = () => {
    const onGrades = gradeMinutes(this.draft, this.catalogue);
    if (!this.draft.labourTyped && onGrades > this.draft.labour) {
      this.draft.labour = onGrades;
      this.labour?.show(onGrades);
    }
    return this.keep();
  };

  linesChanged = () => {
    this.draft.edited = true;
    return this.changed();
  };

  // Each change is written at once; what changes while another is being written goes together after it.
  keep() {
    if (this.isNext) return this.writing;
    this.isNext = true;
    const key = draftKey(this.draft.person, this.draft.job);
    const write = () => {
      this.isNext = false;
      return !this.handIn.done && store.put("drafts", key, this.draft);
    };
    this.writing = (this.writing ?? Promise.resolve())
      .then(write)
      .catch((error) => this.say(store.isFull(error) ? FULL : `The phone could not keep this: ${error.message}`));
    return this.writing;
  }

  say(...content) {
    this.alert.replaceChildren(h("p", { class: "note error" }, ...content));
    this.alert.scrollIntoView({ block: "nearest" });
  }

  build() {
    const { draft } = this;
    this.lines = linesOf({ draft, catalogue: this.catalogue, stock: this.stock, changed: this.linesChanged });
    this.outcome = this.outcomes();
    this.labour = this.minutes("Labour", "labour");
    const travel = this.minutes("Travel", "travel");
    const element = h(
      "form",
      { class: "close", novalidate: true, onsubmit: (event) => (event.preventDefault(), this.save()) },
      this.facts(),
      this.lines,
      this.outcome,
      h("section", { "aria-labelledby": "time" }, h("h2", { id: "time" }, "Minutes"), h("div", { class: "card pair" }, this.labour, travel)),
      photosOf(this),
      h("section", { "aria-label": "Note" }, field("Note", this.text("note", "textarea"))),
      this.more(),
      this.alert,
      h("div", { class: "act" }, h("a", { href: "#jobs", class: "button quiet" }, "Later"), h("button", {}, "Close the job")),
    );
    const ticking = setInterval(() => {
      if (!element.isConnected) return clearInterval(ticking);
      this.lines.tick();
      const ran = draft.running ? Date.now() - draft.running.since : 0;
      if (ran < 0 || ran > 15_000) {
        timer.fold(draft);
        if (timer.isForgotten(draft)) this.say("A timer has run for over an hour. Stop it and check its minutes.");
        this.changed();
      }
    }, 1000);
    this.element = element;
    this.keep();
    return { title: `Close ${draft.job}`, element, isForm: true };
  }

  facts() {
    const { draft, job } = this;
    const { job_types: jobTypes, glass } = this.page.bundle;
    const viewing = h("p", { class: "caution", hidden: !draft.in_primary_view },
      "In the driver's primary viewing area a repair may be forbidden: local rules and the vehicle maker decide.");
    this.viewing = viewing;
    const caution = h("p", { class: "caution", hidden: !glass[draft.glass] }, glass[draft.glass] ?? "");
    const headline = h("p", { class: "soft" });
    const showHeadline = () => {
      const said = jobTypes[draft.job_type]?.name ?? draft.job_type;
      headline.textContent = said && draft.damage_type && draft.glass ? `${said}: ${draft.damage_type} on ${draft.glass}` : "Say below what kind of job it is.";
    };
    showHeadline();
    const choice = (codes, chosen) => [...(chosen ? [] : [["", "Choose"]]), ...codes.map(([code, name = code]) => [code, name])];
    this.kind = h(
      "details",
      { open: !draft.booked },
      h("summary", {}, "Kind of job"),
      field("Service", select(choice(Object.entries(jobTypes).map(([code, { name }]) => [code, name]), draft.job_type), draft.job_type, (code) => {
        draft.job_type = code;
        if (!draft.booked) draft.price = Number(jobTypes[code]?.price ?? 0);
        this.refill();
      })),
      field("Damage", select(choice(this.page.bundle.damage_types.map((code) => [code]), draft.damage_type), draft.damage_type, (code) => {
        draft.damage_type = code;
        this.refill();
      })),
      field("Glass", select(choice(Object.keys(glass).map((code) => [code]), draft.glass), draft.glass, (code) => {
        draft.glass = code;
        caution.textContent = glass[code] ?? "";
        caution.hidden = !glass[code];
        showHeadline();
        this.changed();
      })),
    );
    return h(
      "section",
      { class: "card job", "aria-label": "The job" },
      job && h("p", {}, [job.customer, job.site].filter(Boolean).join(", ") || jobTypes[draft.job_type]?.name),
      headline,
      viewing,
      caution,
      job?.existing_damage && h("p", {}, h("strong", {}, "Existing damage: "), job.existing_damage),
      job?.note && h("p", {}, job.note),
      this.kind,
    );
  }

  // Another kind of job takes other consumables; lines that the technician has changed stay.
  async refill() {
    if (!this.draft.edited) prefill(this.draft, this.page.bundle);
    await this.changed();
    this.page.show();
  }

  outcomes() {
    const { draft } = this;
    const choice = ([value, label]) =>
      h("label", { class: "choice" },
        h("input", { type: "radio", name: "outcome", value, checked: draft.outcome === value, onchange: () => { draft.outcome = value; this.changed(); } }),
        h("span", {}, label));
    return h("fieldset", { class: "outcome" }, h("legend", {}, "Outcome"), h("div", { class: "choices" }, Object.entries(OUTCOMES).map(choice)));
  }

  minutes(label, name) {
    const { draft } = this;
    return stepper({
      label, name: "minutes", spoken: `${name} minutes`, step: 5, value: draft[name],
      onchange: (number) => {
        draft[name] = number;
        if (name === "labour") draft.labourTyped = true;
        this.changed();
      },
    });
  }

  put(name, value) {
    this.draft[name] = value;
    (this.draft.touched ??= {})[name] = true;
    this.changed();
  }

  text(name, tag = "input") {
    const control = h(tag, { maxlength: 1000, rows: tag === "textarea" && 2, oninput: () => this.put(name, control.value) });
    control.value = this.draft[name];
    return control;
  }

  number(name, value, read) {
    const control = h("input", { type: "text", inputmode: "decimal", autocomplete: "off", value });
    control.addEventListener("input", () => {
      this.put(name, read(control.value));
    });
    return control;
  }

  more() {
    const { draft } = this;
    const { bundle } = this.page;
    const length = draft.length_mm === null ? "" : shownLength(draft.length_mm, bundle);
    return h(
      "details",
      { class: "card" },
      h("summary", {}, "More: damage, price"),
      checkbox("In the driver's primary viewing area of a windscreen", draft.in_primary_view, (checked) => {
        this.viewing.hidden = !checked;
        this.put("in_primary_view", checked);
      }),
      field(`Length of the damage, ${bundle.length_unit}`, this.number("length_mm", length,
        (text) => (text.trim() === "" ? null : readLength(readNumber(text), bundle)))),
      field("Damage that was there before", this.text("existing_damage", "textarea"), "agree it with the customer in writing"),
      field("Price, net of tax", this.number("price", draft.price, readNumber)),
      field("Repeats the job", this.text("callback_of"), "reference of the first job, when this is a callback"),
    );
  }

  async save() {
    const { draft, page } = this;
    timer.stop(draft);
    this.lines.tick();
    await this.changed();
    if (this.handIn.done) return;
    const unread = misread(this.element);
    const wrong = unread || problem(draft, this.catalogue);
    if (wrong) {
      this.say(wrong);
      if (!unread) this.unanswered()?.focus();
      return;
    }
    const entry = outbox.newEntry({ id: draft.id, kind: "close", person: draft.person, title: draft.job, after: draft.after, body: closeBody(draft, page.bundle) });
    try {
      await this.handIn.keep(entry, draft);
    } catch (error) {
      this.refuseToKeep(error, entry);
      return;
    }
    page.go("#sent", `${draft.job} is kept on this phone and is sent automatically.`);
  }

  // The first question without an answer, if any: what kind of job it was, then how it ended.
  unanswered() {
    const open = [...this.kind.querySelectorAll("select")].find(({ value }) => !value);
    if (open) this.kind.open = true;
    return open ?? (this.draft.outcome ? null : this.outcome.querySelector("input"));
  }

  refuseToKeep(error, entry) {
    if (!store.isFull(error)) {
      this.say(`The phone could not keep this: ${error.message}`);
      return;
    }
    this.say(FULL, " ", button("Send now", async (event) => {
      event.target.disabled = true;
      const arrived = await outbox.sendUnkept(entry).catch(() => false);
      if (arrived) await this.leaveUnkept();
      else this.say(entry.reason || "The shop could not be reached, or somebody else is signed in. Nothing is lost while this page is open.");
    }));
  }

  async leaveUnkept() {
    this.handIn.done = true;
    await this.writing;
    await store.remove("drafts", draftKey(this.draft.person, this.draft.job)).catch(() => {});
    this.page.go("#sent", "The shop has received it.");
  }
}
