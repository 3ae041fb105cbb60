// The queue of what waits to be sent. Each entry keeps its own id from when it was saved, so sending it again
// after a lost answer is harmless; an entry belongs to the person who saved it and goes under no other name.
//
// States: "waiting", "received", "attention" (the shop refused it, `reason` says why). An entry that names another
// one as `after` goes out when the shop has that one.

import * as clock from "./clock.js";
import * as photos from "./photos.js";
import * as server from "./server.js";
import * as store from "./store.js";
import { draftKey } from "./draft.js";

const FIRST_PAUSE_MS = 3_000;
const LONGEST_PAUSE_MS = 5 * 60_000;
// Signal often comes back without a word from the browser, so what waits asks for it. Our choice, no source.
const LONGEST_WITHOUT_SIGNAL_MS = 8_000;
const RECEIVED_KEPT = 40;
// The field with the moment of each kind. Further uses happen with their job; an answer has no moment.
const MOMENTS = { close: "closed_at", count: "occurred_at", transfer: "occurred_at", return: "occurred_at", correction: "occurred_at" };

export const news = new EventTarget();
const others = "BroadcastChannel" in self ? new BroadcastChannel("outbox") : null;
others?.addEventListener("message", () => news.dispatchEvent(new Event("change")));

// The way to the shop as it was last found: whether it was reached (null: not tried yet), who is signed in there, and
// the id of the entry that is going out.
export const way = { reached: null, person: null, going: "" };

let pause = FIRST_PAUSE_MS;
let retry = 0;
let sending = null;
let again = false;
let uploading = Promise.resolve();

function tell() {
  news.dispatchEvent(new Event("change"));
  others?.postMessage("change");
}

const keep = (entry) => store.put("outbox", entry.id, entry);

// All entries, the latest first.
export async function entries() {
  return (await store.all("outbox")).sort((a, b) => b.saved - a.saved);
}

// What a person still has to send or look at.
export const isOpen = (entry) => entry.state !== "received";

export function newEntry({ id, ...named }) {
  return {
    id: id ?? store.newId(),
    after: "",
    ...named,
    stamp: clock.stamp(),
    saved: Date.now(),
    tried: false,
    state: "waiting",
    reason: "",
    errors: [],
    answer: null,
  };
}

// Keep entries on the phone in place of their drafts, all or none, in this order; throws the storage's own error when
// it cannot.
export async function add(...together) {
  together.forEach((entry, place) => (entry.saved += place));
  const drafts = together.filter(({ draft }) => draft).map(({ draft }) => draftKey(draft.person, draft.job));
  await makingRoom(() => store.queue(together, drafts));
  tell();
  resetPause();
  flush();
}

// Hands in what one draft says. Nothing is kept twice: a second tap while the first is at work changes nothing, and
// the draft is not written again once it is handed in (`done`).
export class HandIn {
  done = false;

  // Keep the entry in place of its draft, and what else changes with it; false when that is done already. Throws the storage's own error.
  async keep(entry, draft, ...more) {
    if (this.done) return false;
    entry.draft = structuredClone(draft);
    entry.stamp = draft.stamp ?? entry.stamp;
    this.done = true;
    try {
      await add(entry, ...more);
    } catch (error) {
      this.done = false;
      throw error;
    }
    return true;
  }
}

// Send one entry that the phone has no space to keep. True when the shop has it.
export async function sendUnkept(entry) {
  const session = await server.session();
  if (session.person !== entry.person) return false;
  await clock.learn(Date.parse(session.now), Date.now());
  settleMoment(entry);
  await judge(entry, session.token);
  return entry.state === "received";
}

// What waits for an entry, and for what waits for it.
export async function dependents(entry, all) {
  const open = all ?? (await entries()).filter(isOpen);
  const next = open.filter((other) => other.after === entry.id);
  return [...next, ...(await Promise.all(next.map((other) => dependents(other, open)))).flat()];
}

// Drop an entry, and all that depend on it.
export async function discard(entry) {
  for (const dropped of [...(await dependents(entry)), entry]) {
    await store.remove("outbox", dropped.id);
    await photos.forget(dropped.id);
  }
  tell();
}

// The shop keeps what it received first; accept that.
export const settled = (entry) => ({ ...entry, state: "received", reason: "" });

export async function settleForFirst(entry) {
  await keep(settled(entry));
  tell();
}

async function forgetReceived(kept) {
  const pictures = await photos.standing();
  const isDone = ({ id, state }) => state === "received" && !pictures.get(id)?.waiting;
  const received = (await entries()).filter(isDone).slice(kept);
  for (const { id } of received) {
    await store.remove("outbox", id);
    await photos.forget(id);
  }
  return received.length;
}

// When space runs out, entries that the shop has received are deleted first.
async function makingRoom(write) {
  try {
    await write();
  } catch (error) {
    if (!store.isFull(error) || !(await forgetReceived(0))) throw error;
    await write();
  }
}

// Send all that waits; never twice at once, not even from two tabs.
export function flush() {
  clearTimeout(retry);
  // The run may have looked for the last time before this was added.
  if (sending) again = true;
  sending ??= alone("outbox", sendAll, later).finally(() => {
    sending = null;
    if (again) flush();
    again = false;
  });
  return sending;
}

function alone(name, work, otherwise) {
  if (!navigator.locks) return work();
  return navigator.locks.request(name, { ifAvailable: true }, (lock) => (lock ? work() : otherwise()));
}

function later(longest = LONGEST_PAUSE_MS) {
  clearTimeout(retry);
  pause = Math.min(pause, longest);
  // Phones that lost signal together must not come back together.
  retry = setTimeout(flush, pause * (0.75 + Math.random() / 2));
  pause = Math.min(pause * 2, longest);
}

export const resetPause = () => (pause = FIRST_PAUSE_MS);

// Who is signed in, null without signal.
async function meet() {
  const before = Date.now();
  try {
    const session = await server.session();
    await clock.learn(Date.parse(session.now), before);
    Object.assign(way, { reached: true, person: session.person });
    news.dispatchEvent(new CustomEvent("signal", { detail: { reached: true, session } }));
    return session;
  } catch (error) {
    if (!(error instanceof server.Unreachable)) throw error;
    way.reached = false;
    news.dispatchEvent(new CustomEvent("signal", { detail: { reached: false } }));
    return null;
  }
}

// The oldest entry of a person that has its turn and was not tried yet; read anew, as more is added at any time.
async function nextOf(person, tried) {
  const all = await entries();
  const known = new Map(all.map((entry) => [entry.id, entry]));
  const hasTurn = ({ after }) => !known.has(after) || known.get(after).state === "received";
  return all.findLast((entry) => entry.state === "waiting" && entry.person === person && !tried.has(entry.id) && hasTurn(entry));
}

async function sendAll() {
  const session = await meet();
  if (!session) {
    const waits = (await entries()).some(({ state }) => state === "waiting");
    return later(waits ? LONGEST_WITHOUT_SIGNAL_MS : LONGEST_PAUSE_MS);
  }
  const tried = new Map();
  for (let entry = await nextOf(session.person, tried); entry; entry = await nextOf(session.person, tried)) {
    tried.set(entry.id, entry);
    await sendOne(entry, session.token);
  }
  await forgetReceived(RECEIVED_KEPT);
  const sent = [...tried.values()];
  const undone = sent.filter(({ state }) => state === "waiting");
  // A server in trouble is left in peace for longer than a way that loses answers.
  if (undone.length) later(undone.some(({ reason }) => reason) ? LONGEST_PAUSE_MS : LONGEST_WITHOUT_SIGNAL_MS);
  else if (sent.length) resetPause();
  if (session.person) sendPhotos(session);
  if (sent.some(({ state }) => state === "received")) news.dispatchEvent(new Event("received"));
}

// Photos are large, so they go out apart from all else, and each lets what waits go first.
function sendPhotos({ person, token }) {
  const isFirst = () => sending ?? Promise.resolve();
  uploading = uploading
    .then(() => alone("photos", () => photos.send(person, token, { isFirst, tell }), () => false))
    .then((done) => (done ? resetPause() : later()), () => later());
}

async function sendOne(entry, token) {
  // It may have been deleted or changed while the shop was asked who is signed in.
  const kept = await store.get("outbox", entry.id);
  if (kept?.state !== "waiting") return void (entry.state = "");
  Object.assign(entry, kept);
  // From here on the shop may have it: its content must no longer change.
  settleMoment(entry);
  entry.tried = true;
  await keepIfRoom(entry);
  way.going = entry.id;
  tell();
  try {
    await judge(entry, token);
  } catch (error) {
    if (!(error instanceof server.Unreachable)) throw error;
    entry.reason = "";
  }
  way.going = "";
  await keepIfRoom(entry);
  tell();
}

// A full phone still sends what it has kept. If it cannot store the result, the shop knows the entry's id.
async function keepIfRoom(entry) {
  try {
    await makingRoom(() => keep(entry));
  } catch (error) {
    if (!store.isFull(error)) throw error;
    if (entry.state === "received" && !(await photos.standing()).has(entry.id)) await store.remove("outbox", entry.id);
  }
}

function settleMoment(entry) {
  if (entry.tried) return;
  const { moment, doubtful } = clock.settle(entry.stamp);
  const field = MOMENTS[entry.kind];
  if (field) entry.body[field] = new Date(moment).toISOString();
  // Drafts of an earlier version did not show the booking's note; an empty note in one of them clears nothing.
  if (entry.kind === "close" && !entry.draft?.touched && !entry.body.note) delete entry.body.note;
  entry.doubtful = doubtful;
}

async function judge(entry, token) {
  const { status, body } = await server.putEntry(entry, token);
  const detail = body.detail ?? "";
  if ((status === 200 || status === 201) && (body.id || body.number)) {
    Object.assign(entry, { state: "received", answer: body, reason: "", errors: [] });
  } else if (status === 401 || (status === 403 && detail.includes("CSRF"))) {
    entry.reason = "";
  } else if (status === 409) {
    await explainConflict(entry, detail);
  } else if ([400, 403, 413, 415].includes(status) || (status === 404 && entry.kind === "answer")) {
    Object.assign(entry, { state: "attention", reason: detail, errors: body.errors ?? [] });
  } else {
    entry.reason = `The server had a problem (${status}). The phone tries again by itself.`;
  }
}

// Either this close arrived before and was changed since, or somebody else closed the job: `standing` says who.
async function explainConflict(entry, detail) {
  const isAnswer = entry.kind === "answer";
  const { status } = isAnswer ? { status: 200 } : await server.getEntry(entry);
  const other = entry.kind === "close" && status !== 200 ? await server.standingClose(entry.body.job) : {};
  entry.state = "attention";
  entry.first = status === 200;
  entry.isKept = true;
  entry.standing = other.status === 200 ? other.body : undefined;
  entry.errors = [];
  if (isAnswer) return void (entry.reason = detail);
  entry.reason = entry.first
    ? "The shop received this before, and keeps what it said then. The later change did not count."
    : detail;
}

// Keep an entry from going out while it is being corrected.
export async function holdBack(entry) {
  await keep({ ...entry, state: "attention", reason: "You began to correct this. Close it again to send it.", errors: [] });
  tell();
}
