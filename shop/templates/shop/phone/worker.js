// Keeps the phone page for work without signal. What is queued lives in IndexedDB and is never touched here.
{% autoescape off %}const VERSION = "{{ version }}";
const KEPT = `phone-${VERSION}`;
const ADDRESSES = {{ addresses }};{% endautoescape %}
const PAGE = ADDRESSES[0];

self.addEventListener("install", (event) => {
  // The files carry their version in their addresses, so what the browser has of them already is right.
  const fresh = (address) => (address.includes(`/${VERSION}/`) ? "default" : "reload");
  const requests = ADDRESSES.map((address) => new Request(address, { cache: fresh(address) }));
  event.waitUntil(caches.open(KEPT).then((cache) => cache.addAll(requests)));
});

self.addEventListener("activate", (event) => {
  const old = (name) => name.startsWith("phone-") && name !== KEPT;
  event.waitUntil(
    caches
      .keys()
      .then((names) => Promise.all(names.filter(old).map((name) => caches.delete(name))))
      .then(() => self.clients.claim()),
  );
});

// The page says when: never while somebody is in the middle of a close.
self.addEventListener("message", (event) => {
  if (event.data === "take over") self.skipWaiting();
});

self.addEventListener("fetch", (event) => {
  const { pathname, origin } = new URL(event.request.url);
  if (event.request.method !== "GET" || origin !== self.location.origin) return;
  // One version at a time: page and files always come from the same cache.
  if (ADDRESSES.includes(pathname)) event.respondWith(kept(event.request, pathname));
});

async function kept(request, pathname) {
  const cache = await caches.open(KEPT);
  return (await cache.match(pathname, { ignoreSearch: true, ignoreVary: true })) ?? fetch(request);
}
