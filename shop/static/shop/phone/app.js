// The phone page: finds out who is here, shows the view that the address asks for, and keeps sending.

import * as clock from "./clock.js";
import * as outbox from "./outbox.js";
import * as server from "./server.js";
import * as store from "./store.js";
import { button, h } from "./elements.js";
import { countOf } from "./count.js";
import { doneOf } from "./done.js";
import { formOf } from "./form.js";
import { giveOf } from "./give.js";
import { jobsOf } from "./jobs.js";
import { moreOf } from "./more.js";
import { questionsOf } from "./questions.js";
import { sentOf } from "./sent.js";
import { settingsOf } from "./settings.js";
import { stockOf } from "./stock.js";

const at = document.body.dataset;
const find = (id) => document.getElementById(id);
const VIEWS = { jobs: jobsOf, sent: sentOf, stock: stockOf, count: countOf, give: giveOf, questions: questionsOf, close: formOf, done: doneOf, more: moreOf };
// What a person may be filling in.
const FORMS = ["#count", "#give", "#questions"];
// Facts that a shop of an earlier version does not send.
const NOTHING = { closed: [], questions: [], places: [], gifts: [], under_way: 0 };
// The shop's facts change rarely; every few minutes is enough.
const REFRESH_MS = 5 * 60_000;
// Without the shop's facts nobody can work.
const FIRST_BUNDLE_MS = 10_000;

let bundle = null;
let session = null;
let reached = null;
let shown = null;
let refreshed = 0;
let asking = 0;
let waitingWorker = null;
// The message that the next view starts with.
let toSay = "";

const page = {
  get bundle() {
    return bundle;
  },
  get session() {
    return session;
  },
  restocks: at.restocks,
  leave: () => location.assign(at.signIn),
  bundleTime: () => clock.written(bundle.fetched),
  show,
  go(address, said = "") {
    // A person who has moved on to another view is not brought back.
    if (this.from !== location.hash) return busy() || show();
    toSay = said;
    if (location.hash === address) show();
    else location.hash = address;
  },
  missing: (text) => ({ title: "Not here", element: h("p", { class: "card" }, text, " ", h("a", { href: "#jobs" }, "Back to the jobs")) }),
};

function say(text) {
  find("said").textContent = text;
  find("said").hidden = !text;
}

async function viewFor(page, hash) {
  const [name, ...rest] = hash.slice(1).split("/");
  if (name === "settings") return settingsOf(page);
  if (!bundle) return nobody();
  if (!bundle.van) return { title: "No van yet", element: h("p", { class: "card" }, "No van is yours yet. Ask an owner to give you one.") };
  if (name === "new") return formOf(page, "");
  return (VIEWS[name] ?? jobsOf)(page, decodeURIComponent(rest.join("/")));
}

function nobody() {
  const text = reached === false
    ? "This phone has nothing to show yet: it needs signal once, and a sign-in."
    : "Sign in as a technician to see your jobs here.";
  const coming = reached === null || (reached && session.is_technician);
  const link = h("a", { href: at.signIn, class: "button" }, "Sign in");
  return { title: "Jobs", element: h("div", { class: "card" }, h("p", {}, coming ? "Getting your jobs …" : text), !coming && link) };
}

let turn = 0;

async function show() {
  const mine = ++turn;
  const view = Object.create(page);
  const { title, element, isForm = false } = await viewFor(view, location.hash);
  if (mine !== turn) return;
  view.from = location.hash;
  const moved = shown !== null && shown !== location.hash;
  if (moved || toSay) say(toSay);
  toSay = "";
  shown = location.hash;
  find("title").textContent = title;
  document.title = title;
  find("view").replaceChildren(element);
  document.body.classList.toggle("in-form", isForm);
  for (const link of document.querySelectorAll(".tabs a")) {
    if (link.hash === (location.hash || "#jobs")) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  if (moved) {
    scrollTo(0, 0);
    find("title").focus({ preventScroll: true });
  }
  await showStatus();
}

// Above every view: signal, who is signed in, whose closes wait, a new version.
async function showStatus() {
  const open = (await outbox.entries()).filter(outbox.isOpen);
  const own = open.filter((entry) => entry.person === bundle?.person.username);
  find("waiting").textContent = own.length;
  find("waiting").hidden = own.length === 0;
  find("van").textContent = bundle?.van ?? "Slurrybook";
  find("signal").textContent = reached === false ? "no signal" : "";
  const others = open.filter((entry) => entry.person !== bundle?.person.username);
  const names = [...new Set(others.map((entry) => entry.person))].join(", ");
  const minutes = Math.round(Math.abs(clock.offset()) / 60_000);
  const notices = [
    reached && bundle && !session?.person &&
      notice("Your sign-in has ended. Nothing is lost: what you close stays on this phone and is sent after you sign in.",
        h("a", { href: at.signIn, class: "button" }, "Sign in again")),
    reached && session?.person && !session.is_technician && notice("This page is for technicians; you are signed in as somebody else."),
    others.length > 0 && notice(`${others.length} of ${names} wait on this phone. They are sent when ${names} signs in here.`),
    clock.isWrong() && notice(`This phone's clock is ${minutes} minutes ${clock.offset() < 0 ? "ahead" : "behind"}. Closes carry the shop's time.`),
    !isSecureContext && notice("This address is not secure (https), so the page cannot open without signal. Closes are still kept and sent."),
    waitingWorker && notice("A new version of this page is here.", button("Use it", () => waitingWorker.postMessage("take over"))),
  ].filter(Boolean);
  find("notices").replaceChildren(...notices);
}

const notice = (text, ...actions) => h("div", { class: "note warning", role: "status" }, h("p", {}, text), ...actions);

// Switch to the facts of another person; everybody sees only their own.
async function become(person) {
  const kept = person && (await store.get("facts", `bundle ${person}`));
  bundle = kept ? { ...NOTHING, ...kept } : null;
  await store.put("facts", "person", person).catch(() => {});
}

async function refresh() {
  if (!session?.is_technician) return;
  const { status, body } = await server.bundle();
  if (status !== 200 || body.person.username !== session.person) return;
  const had = bundle;
  const before = JSON.stringify({ ...had, fetched: 0 });
  bundle = { ...body, fetched: clock.guess(clock.stamp()) };
  refreshed = Date.now();
  await store.put("facts", `bundle ${session.person}`, bundle).catch(() => {});
  // Not while somebody fills in a form.
  if (!(had && busy()) && before !== JSON.stringify({ ...bundle, fetched: 0 })) await show();
}

// A job's page with an opened part is in use, too: drawn again it would be closed under the hand.
const busy = () =>
  document.body.classList.contains("in-form") ||
  FORMS.includes(location.hash) ||
  (location.hash.startsWith("#done/") && find("view").querySelector("details[open]") !== null);

async function signalled({ detail }) {
  const isNews = reached !== detail.reached;
  reached = detail.reached;
  if (detail.reached) {
    session = detail.session;
    if (session.person && session.person !== bundle?.person.username) {
      await become(session.person);
      if (bundle) await show();
    }
    if (Date.now() - refreshed > REFRESH_MS || !bundle) await refresh().catch(() => {});
  }
  if (!bundle) {
    await show();
    clearTimeout(asking);
    if (session?.is_technician) asking = setTimeout(outbox.flush, FIRST_BUNDLE_MS);
  }
  // What waits says there what it waits for.
  if (isNews && ["#sent", "#settings"].includes(location.hash)) await show();
  await showStatus();
}

async function changed() {
  await showStatus();
  if ((["#sent", "#settings", "#jobs", ""].includes(location.hash) || location.hash.startsWith("#done/")) && bundle && !busy()) await show();
  // A close takes stock from the van, so the facts are out of date.
  refreshed = 0;
}

async function watchWorker() {
  if (!navigator.serviceWorker) return;
  const registration = await navigator.serviceWorker.register(at.worker);
  const ready = () => {
    // The first one takes the page over by itself; a later one waits for a message.
    waitingWorker = navigator.serviceWorker.controller ? registration.waiting : null;
    showStatus();
  };
  registration.addEventListener("updatefound", () => registration.installing?.addEventListener("statechange", ready));
  ready();
  let had = Boolean(navigator.serviceWorker.controller);
  navigator.serviceWorker.addEventListener("controllerchange", () => {
    // Drafts and queue are kept at every change, so reloading loses nothing.
    if (had) location.reload();
    had = true;
  });
}

async function start() {
  await clock.load();
  await become((await store.get("facts", "person")) ?? null);
  addEventListener("hashchange", () => location.hash !== "#main" && show());
  outbox.news.addEventListener("signal", signalled);
  outbox.news.addEventListener("change", changed);
  outbox.news.addEventListener("received", () => refresh().catch(() => {}));
  const wake = () => {
    outbox.resetPause();
    outbox.flush();
  };
  addEventListener("online", wake);
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && wake());
  setInterval(() => outbox.flush(), REFRESH_MS);
  await show();
  await outbox.flush();
  store.keepForGood();
  await watchWorker();
}

start().catch((error) => {
  find("view").replaceChildren(h("p", { class: "card alert" }, `This page could not start: ${error.message}. Reload it; what is kept on the phone is not lost.`));
});
