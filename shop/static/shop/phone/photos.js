// Photos before and after. The phone encodes each one again, which makes it small and leaves out where it was
// taken; the server does the same. They are sent after the close that they belong to.

import * as server from "./server.js";
import * as store from "./store.js";
import { button, h } from "./elements.js";

const LONGEST_SIDE_PX = 1600;
const QUALITY = 0.8;
const MOST_PER_JOB = 12;
const MOMENTS = { before: "Before", after: "After" };

const of = async (close) => (await store.all("photos")).filter((photo) => photo.close === close);

export async function forget(close) {
  for (const photo of await of(close)) await store.remove("photos", photo.id);
}

async function reencoded(file) {
  const image = await createImageBitmap(file, { imageOrientation: "from-image" });
  const scale = Math.min(1, LONGEST_SIDE_PX / Math.max(image.width, image.height));
  const canvas = h("canvas", { width: Math.round(image.width * scale), height: Math.round(image.height * scale) });
  canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
  image.close();
  const blob = await new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", QUALITY));
  if (!blob) throw new Error("the picture could not be encoded");
  return blob;
}

// The next photo of a person that was not tried yet, and whose close the shop has; read anew for each.
async function nextOf(person, tried) {
  const received = new Set((await store.all("outbox")).filter(({ state }) => state === "received").map(({ id }) => id));
  return (await store.all("photos")).find(
    (photo) => photo.person === person && photo.state !== "refused" && received.has(photo.close) && !tried.has(photo.id));
}

// Send the photos of closes that the shop has; each waits for `isFirst()`. True when none is left to try again.
export async function send(person, token, { isFirst, tell }) {
  const tried = new Set();
  let done = true;
  await isFirst();
  for (let photo = await nextOf(person, tried); photo; photo = await nextOf(person, tried)) {
    tried.add(photo.id);
    try {
      const { status, body } = await server.putPhoto(photo, token);
      if (status === 200 || status === 201) await store.remove("photos", photo.id);
      else if ([400, 403, 409, 413, 415].includes(status) && !(body.detail ?? "").includes("CSRF")) {
        await store.put("photos", photo.id, { ...photo, state: "refused", reason: body.detail ?? "" });
      } else done = false;
    } catch (error) {
      if (!(error instanceof server.Unreachable)) throw error;
      done = false;
    }
    tell();
    await isFirst();
  }
  return done;
}

// By close: how many photos wait, and why others were refused.
export async function standing() {
  const found = new Map();
  for (const { close, state, reason } of await store.all("photos")) {
    const there = found.get(close) ?? { waiting: 0, refused: [] };
    if (state === "refused") there.refused.push(reason);
    else there.waiting += 1;
    found.set(close, there);
  }
  return found;
}

export function photosOf(form) {
  const said = h("p", { role: "status", class: "soft" });
  const shelves = Object.entries(MOMENTS).map(([moment, label]) => shelfOf(form, moment, label, said));
  return h("section", { "aria-labelledby": "photos" }, h("h2", { id: "photos" }, "Photos"), h("div", { class: "card" }, h("div", { class: "pair" }, shelves), said));
}

function shelfOf({ draft }, moment, label, said) {
  const shelf = h("div", { class: "shelf" });
  const input = h("input", { type: "file", accept: "image/*", capture: "environment", multiple: true, class: "unseen", onchange: async () => {
    for (const file of input.files) await take(file);
    input.value = "";
  } });
  async function take(file) {
    try {
      if ((await of(draft.id)).length >= MOST_PER_JOB) throw new Error(`${MOST_PER_JOB} photos are enough for one job`);
      const photo = { id: store.newId(), close: draft.id, person: draft.person, job: draft.job, moment, blob: await reencoded(file), state: "kept" };
      await store.put("photos", photo.id, photo);
      await show(photo);
      said.textContent = `${label}: photo kept.`;
    } catch (error) {
      said.textContent = store.isFull(error)
        ? "The photo was not kept: this phone's storage is full. The close itself does not need it."
        : `The photo was not kept: ${error.message}.`;
    }
  }
  async function show(photo) {
    const small = h("canvas", { width: 96, height: 72, role: "img", "aria-label": `Photo ${label.toLowerCase()}` });
    const image = await createImageBitmap(photo.blob);
    const scale = Math.max(96 / image.width, 72 / image.height);
    small.getContext("2d").drawImage(image, (96 - image.width * scale) / 2, (72 - image.height * scale) / 2, image.width * scale, image.height * scale);
    const figure = h("figure", {}, small, button("×", async () => { await store.remove("photos", photo.id); figure.remove(); },
      { class: "quiet", "aria-label": `Remove this photo ${label.toLowerCase()}` }));
    shelf.append(figure);
  }
  of(draft.id).then((photos) => photos.filter((photo) => photo.moment === moment).forEach(show), () => {});
  return h("div", {}, h("label", { class: "button quiet photo" }, input, `Photo ${label.toLowerCase()}`), shelf);
}
