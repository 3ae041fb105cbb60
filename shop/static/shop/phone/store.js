// What the phone keeps, in IndexedDB: facts from the shop, drafts, the outbox and photos.

const NAME = "slurrybook-phone";
const STORES = ["facts", "drafts", "outbox", "photos"];
let opened = null;

function open() {
  opened ??= new Promise((resolve, reject) => {
    const request = indexedDB.open(NAME, 1);
    request.onupgradeneeded = () => STORES.forEach((name) => request.result.createObjectStore(name));
    request.onsuccess = () => {
      // A newer page in another tab may need to change the stores; it must not wait for this one.
      request.result.onversionchange = () => request.result.close();
      // The browser may close it too, for lack of memory; the next use opens it again.
      request.result.onclose = () => (opened = null);
      resolve(request.result);
    };
    request.onerror = () => {
      opened = null;
      reject(request.error);
    };
  });
  return opened;
}

async function run(names, mode, work) {
  const database = await open();
  return new Promise((resolve, reject) => {
    // Strict: a close that the phone says it has must survive an empty battery.
    const transaction = database.transaction(names, mode, { durability: "strict" });
    const request = work(...[names].flat().map((name) => transaction.objectStore(name)));
    transaction.oncomplete = () => resolve(request.result);
    transaction.onabort = () => reject(transaction.error ?? request.error);
  });
}

export const get = (name, key) => run(name, "readonly", (store) => store.get(key));
export const all = (name) => run(name, "readonly", (store) => store.getAll());
export const put = (name, key, value) => run(name, "readwrite", (store) => store.put(value, key));
// Entries take the place of the drafts they were made of: all of them or none.
export const queue = (entries, draftKeys) =>
  run(["outbox", "drafts"], "readwrite", (outbox, drafts) => {
    draftKeys.forEach((key) => drafts.delete(key));
    return entries.map((entry) => outbox.put(entry, entry.id)).at(-1);
  });
export const remove = (name, key) => run(name, "readwrite", (store) => store.delete(key));

export const isFull = (error) => error?.name === "QuotaExceededError";

// What to say when something could not be kept.
export const failure = (error) =>
  isFull(error)
    ? "This phone's storage is full. Free some space and try again; the page keeps what you entered."
    : `The phone could not keep this: ${error.message}`;

// Ask the browser not to clear what is kept when space runs low.
export function keepForGood() {
  return navigator.storage?.persist?.().catch(() => false);
}

// An id that no other phone chooses. crypto.randomUUID exists on secure addresses only.
export function newId() {
  if (crypto.randomUUID) return crypto.randomUUID();
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})/, "$1-$2-$3-$4-");
}
