// The shop's questions about one's own closes: confirmed with one tap, or corrected.

import * as outbox from "./outbox.js";
import * as store from "./store.js";
import { button, field, h, misread, stepper } from "./elements.js";
import { furtherUses, whenClosed } from "./closed.js";
import { isWhole, newLine } from "./draft.js";

const CONFIRMED = "That is right.";
// An answer has at most 300 characters, which include what was done.
const LONGEST_NOTE = 220;

// The questions that the shop sent and that were not answered here since.
export async function openQuestions(bundle) {
  const answered = new Set((await outbox.entries()).filter(({ kind }) => kind === "answer").map(({ question }) => question));
  return bundle.questions.filter(({ number }) => !answered.has(number));
}

export async function questionsOf(page) {
  const open = await openQuestions(page.bundle);
  const element = open.length
    ? h("div", {}, h("p", { class: "soft" }, "The closes count as they are until you correct them."), open.map((question) => cardOf(page, question)))
    : h("p", { class: "card" }, "No question is open. ", h("a", { href: "#jobs" }, "Back to the jobs"));
  return { title: "Questions", element };
}

function cardOf(page, question) {
  const { bundle } = page;
  const consumable = bundle.consumables.find(({ code }) => code === question.consumable);
  const alert = h("div", { role: "alert" });
  const say = (text) => alert.replaceChildren(h("p", { class: "note error" }, text));
  const note = h("input", { type: "text", maxlength: LONGEST_NOTE, autocomplete: "off" });
  let amount = Number(question.took);

  // Correction and answer are kept together or not at all, so that neither is done twice.
  async function keep(text, ...before) {
    const said = [text, note.value.trim()].filter(Boolean).join(" ");
    const answer = outbox.newEntry({
      kind: "answer", person: bundle.person.username, title: question.job, question: question.number,
      body: { answer: said }, after: before[0]?.id,
    });
    const buttons = card.querySelectorAll("button");
    buttons.forEach((each) => (each.disabled = true));
    try {
      await outbox.add(...before, answer);
    } catch (error) {
      buttons.forEach((each) => (each.disabled = false));
      return say(store.failure(error));
    }
    return page.go("#questions", "The answer is kept on this phone and is sent automatically.");
  }

  function correctAmount() {
    const change = amount - Number(question.took);
    const unread = misread(card);
    if (unread) return say(unread);
    if (change === 0) return say("This is what the shop has. Change the number, or tap “Yes, that is right”.");
    return keep(`Corrected: ${amount} used in all, not ${question.took}.`, corrected(bundle, question, change));
  }

  const amounts = consumable && [
    stepper({
      label: "Used in all", name: consumable.name, unit: consumable.unit === "each" ? "" : consumable.unit,
      whole: isWhole(consumable), step: isWhole(consumable) ? 1 : 5, value: question.took,
      onchange: (number) => (amount = number),
    }),
    button("Correct the amount", correctAmount, { class: "wide" }),
  ];
  const card = h("article", { class: "card question" },
    h("h2", {}, question.customer || question.job, " ", h("span", { class: "soft" }, [question.customer && question.job, whenClosed(question)].filter(Boolean).join(", "))),
    h("p", {}, question.message),
    button("Yes, that is right", () => keep(CONFIRMED), { class: "wide" }),
    h("details", {}, h("summary", {}, "No, or add a note"),
      field("Note, if you like", note),
      amounts,
      h("p", {}, "Minutes or something else wrong? ",
        h("a", { href: `#done/${encodeURIComponent(question.job)}`, class: "tap" }, "See the close"), " or write in the note what is right."),
      button("Send the note only", () => (note.value.trim() ? keep("Not right:") : say("Write in the note what is right.")), { class: "wide quiet" })),
    alert);
  return card;
}

// More was used: a further use. Less: the rest is back on board.
function corrected(bundle, { job, consumable, kind, document }, change) {
  const person = bundle.person.username;
  if (change > 0) return furtherUses({ person, job, lines: [newLine(consumable, change)] });
  const body = { place: bundle.van, returns_kind: kind, returns_id: document, lines: [{ consumable, quantity: String(-change) }] };
  return outbox.newEntry({ kind: "return", person, title: job, job, body });
}
