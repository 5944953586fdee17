// The service worker: what a phone shows where the house cannot be reached. It keeps the page's own files and one page that
// says so; nothing about a jar is kept, as what is old here would be believed. It also shows the notices that come by push.

const KEPT = "shell-1", FILES = ["offline.html", "page.css", "icon.svg"];

self.addEventListener("install", (event) => { event.waitUntil(caches.open(KEPT).then((cache) => cache.addAll(FILES)).then(() => self.skipWaiting())); });
self.addEventListener("activate", (event) => { event.waitUntil(self.clients.claim()); });
self.addEventListener("fetch", (event) => {
  if (event.request.mode === "navigate") event.respondWith(fetch(event.request).catch(() => caches.match(new URL("offline.html", self.location))));
  else if (FILES.some((name) => event.request.url.endsWith(`/static/${name}`))) event.respondWith(fetch(event.request).catch(() => caches.match(event.request)));
});

// a notice as the house sends it; browsers end a worker that is pushed and shows nothing
self.addEventListener("push", (event) => {
  let notice;
  try { notice = event.data.json(); } catch { notice = { title: "Jartide", text: "There is a notice." }; }
  event.waitUntil(self.registration.showNotification(notice.title, {
    body: notice.text, icon: new URL("icon_192.png", self.location).href, tag: notice.link ?? notice.title, renotify: true,
    data: { link: notice.link, button: notice.button }, actions: notice.button ? [{ action: "fed", title: "Fed" }] : [],
  }));
});
self.addEventListener("notificationclick", (event) => {
  const { link, button } = event.notification.data ?? {};
  event.notification.close();
  if (event.action === "fed" && button) event.waitUntil(fetch(button, { method: "POST" }).then((answer) => answer.ok || self.clients.openWindow(button), () => self.clients.openWindow(button)));
  else event.waitUntil(self.clients.openWindow(link ?? new URL("../", self.location).href));
});
