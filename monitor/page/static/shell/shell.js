// The service worker: what a phone shows where the house cannot be reached. It keeps the page's own files and one page that
// says so; nothing about a jar is kept, as what is old here would be believed.

const KEPT = "shell-1", FILES = ["offline.html", "page.css", "icon.svg"];

self.addEventListener("install", (event) => { event.waitUntil(caches.open(KEPT).then((cache) => cache.addAll(FILES)).then(() => self.skipWaiting())); });
self.addEventListener("activate", (event) => { event.waitUntil(self.clients.claim()); });
self.addEventListener("fetch", (event) => {
  if (event.request.mode === "navigate") event.respondWith(fetch(event.request).catch(() => caches.match(new URL("offline.html", self.location))));
  else if (FILES.some((name) => event.request.url.endsWith(`/static/${name}`))) event.respondWith(fetch(event.request).catch(() => caches.match(event.request)));
});
