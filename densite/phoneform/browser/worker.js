// The service worker: what was served once is answered from the phone, first and always, network or not.
// A form that was made anew has another worker; it fetches all of it before the old one is let go.

const KEPT_BEFORE = /^densite form /;

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(KEPT.name)
    .then((cache) => cache.addAll(KEPT.paths.map((path) => new Request(path, { cache: "reload" }))))
    .then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  event.waitUntil(caches.keys()
    .then((names) => Promise.all(names.filter((name) => KEPT_BEFORE.test(name) && name !== KEPT.name)
      .map((name) => caches.delete(name))))
    .then(() => self.clients.claim()));
});

self.addEventListener("fetch", (event) => {
  if (event.request.method !== "GET") return;
  event.respondWith(caches.open(KEPT.name)
    .then((cache) => cache.match(event.request, { ignoreSearch: true }))
    .then((kept) => kept || fetch(event.request)));
});
