// This phone: who is signed in, what is not with the shop yet, and signing out.

import * as outbox from "./outbox.js";
import * as photos from "./photos.js";
import * as server from "./server.js";
import * as store from "./store.js";
import { button, confirmed, counted, h } from "./elements.js";
import { nameOf } from "./sent.js";

const MOST_NAMED = 5;

// What of a person the shop does not have yet, as a sentence; empty when it has all.
async function leftBehind(person) {
  const open = (await outbox.entries()).filter((entry) => entry.person === person && outbox.isOpen(entry));
  const pictures = (await store.all("photos")).filter((photo) => photo.person === person && photo.state !== "refused").length;
  const names = open.slice(0, MOST_NAMED).map(nameOf);
  if (open.length > MOST_NAMED) names.push(`${open.length - MOST_NAMED} more`);
  if (pictures) names.push(counted(pictures, "photo"));
  return names.length ? `Not with the shop yet: ${names.join("; ")}.` : "";
}

export async function settingsOf(page) {
  const person = page.session?.person ?? (page.session ? null : page.bundle?.person.username);
  if (!person) return { title: "This phone", element: h("p", { class: "card" }, "Nobody is signed in on this phone.") };
  const alert = h("div", { role: "alert" });
  const say = (text) => alert.replaceChildren(h("p", { class: "note error" }, text));

  async function signOut() {
    const session = await server.session().catch(() => null);
    const left = await leftBehind(person);
    if (!session) return say(`Signing out needs signal, so you stay signed in. ${left} Nothing on this phone is lost.`);
    const question = `${left} It stays on this phone and goes out when ${person} signs in here again. Sign out all the same?`;
    if (left && !(await confirmed(question, "Sign out", "Stay signed in"))) return undefined;
    if (!(await server.signOut())) return say("The shop did not answer, so you stay signed in here. Try again when there is signal.");
    // Only now: without the shop's word the phone would have forgotten somebody who is still signed in.
    await store.remove("facts", `bundle ${person}`);
    await store.remove("facts", "person");
    return page.leave();
  }

  const left = await leftBehind(person);
  const element = h("div", { class: "card" },
    h("p", {}, "Signed in: ", h("strong", {}, person)),
    h("p", {}, left || "All that was closed and counted here is with the shop."),
    alert, button("Sign out", signOut, { class: "wide quiet" }));
  return { title: "This phone", element };
}
