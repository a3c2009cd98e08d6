// Opens the last pages where there is no network, never as if they were of now; sends taps; shows what is pushed.
// The service writes SHELL (addresses of this version's files) and OUTBOX above this line.
"use strict";
importScripts(OUTBOX);
const FILES = "dryshift-files";
const PAGES = "dryshift-pages";
const MOST_PAGES = 20;
const LONGEST_KEPT_MS = 7 * 86400000;
const KEPT = /^\/(things?(\/.*)?|alarms|ahead|bead|sensors|check\/.+)?$/;
const OLD_WORDS = /<template id="old-words">([\s\S]*?)<\/template>/;

async function keepFiles() {
  const files = await caches.open(FILES);
  await files.addAll(SHELL);
  for (const one of await files.keys()) {
    const { pathname, search } = new URL(one.url);
    if (!SHELL.includes(pathname + search)) await files.delete(one);
  }
}

async function keep(address, answer) {
  const pages = await caches.open(PAGES);
  await pages.delete(address);
  await pages.put(address, answer);
  const all = await pages.keys(); // the oldest first
  for (const one of all.slice(0, Math.max(0, all.length - MOST_PAGES))) await pages.delete(one);
}

const isPage = (answer) => answer.ok && !answer.redirected && (answer.headers.get("content-type") ?? "").startsWith("text/html");

// Whoever logs out, or is asked to log in, leaves nothing to read on this phone.
const forget = () => caches.delete(PAGES);

async function keepFirst() {
  const answer = await fetch("/", { headers: { accept: "text/html" } });
  if (isPage(answer)) await keep("/", answer);
  else if (answer.redirected) await forget();
}

// A page of before, which says so above everything else and follows nothing; none that could not be so marked.
async function marked(answer) {
  const then = Date.parse(answer?.headers.get("date") ?? "");
  if (!(Date.now() - then < LONGEST_KEPT_MS)) return null;
  const html = await answer.text();
  if (!OLD_WORDS.test(html)) return null;
  const page = html
    .replace(OLD_WORDS, "$1")
    .replace(/<html([^>]*?) data-live="[^"]*"/, `<html$1 data-lost="yes" data-old="${then}"`)
    .replace(/<title>[^<]*<\/title>/, "<title>?</title>");
  if (!page.includes(`data-old="${then}"`)) return null;
  return new Response(page, { headers: { "content-type": "text/html; charset=utf-8" } });
}

async function old(address) {
  const pages = await caches.open(PAGES);
  return (await marked(await pages.match(address))) ?? (await marked(await pages.match("/"))) ?? Response.error();
}

async function opened(request) {
  const { pathname, search } = new URL(request.url);
  let answer;
  try {
    answer = await fetch(request);
  } catch (error) {
    if (!(error instanceof TypeError)) throw error;
    return old(pathname + search);
  }
  if (pathname === "/log-in") await forget();
  else if (isPage(answer) && KEPT.test(pathname)) await keep(pathname + search, answer.clone());
  return answer;
}

const file = async (request) => (await (await caches.open(FILES)).match(request)) ?? fetch(request);

self.addEventListener("install", (event) => {
  self.skipWaiting();
  event.waitUntil(keepFiles());
});
self.addEventListener("activate", (event) => event.waitUntil((async () => {
  await self.clients.claim();
  await keepFirst().catch(() => {}); // without network: what was kept before stays
})()));
self.addEventListener("fetch", (event) => {
  const { origin, pathname } = new URL(event.request.url);
  if (origin !== self.location.origin) return;
  if (event.request.method === "POST" && pathname === "/log-out") event.waitUntil(forget());
  if (event.request.method !== "GET") return;
  if (event.request.mode === "navigate") event.respondWith(opened(event.request));
  else if (pathname.startsWith("/static/")) event.respondWith(file(event.request));
});
self.addEventListener("message", (event) => {
  if (event.data === "keep") event.waitUntil(keepFirst().catch(() => {}));
});
self.addEventListener("sync", (event) => {
  if (event.tag !== "taps") return;
  event.waitUntil(Outbox.flush().then(async () => {
    new BroadcastChannel("dryshift-taps").postMessage("");
    if ((await Outbox.all()).some((one) => one.refused === undefined)) throw new Error("some wait still");
  }));
});
self.addEventListener("push", (event) => {
  const told = event.data.json();
  event.waitUntil(self.registration.showNotification(told.title, {
    body: told.text, tag: told.subject, renotify: true, requireInteraction: told.priority === "high",
    timestamp: told.created_s * 1000, icon: "/static/icon-192.png", data: told.link,
  }));
});
self.addEventListener("notificationclick", (event) => {
  event.notification.close();
  event.waitUntil(self.clients.openWindow(event.notification.data || "/"));
});
