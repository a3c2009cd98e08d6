// Taps wait here until the service has said that it took them; pages and the service worker share it.
"use strict";
const Outbox = (() => {
  const STORE = "taps";
  const MOST = 200; // taps that wait at once
  const PATIENCE_MS = 8000;
  const FRESH_MS = 60000; // for so long a form's token is taken as it came with the page
  const MOST_DEFECTS = 3; // tries of what the service fails at, before the person is told
  const LONGEST_ANSWER = 8000;
  const LATER = new Set([401, 408, 421, 425, 429, 502, 503, 504]);
  let opening = null;
  let running = null;

  function opened() {
    opening ??= new Promise((resolve, reject) => {
      const asked = indexedDB.open("dryshift", 1);
      asked.onupgradeneeded = () => asked.result.createObjectStore(STORE, { keyPath: "number", autoIncrement: true });
      asked.onsuccess = () => resolve(asked.result);
      asked.onerror = () => reject(asked.error);
    });
    return opening;
  }

  // One transaction; done when what it wrote lies on the disk.
  async function within(mode, work) {
    const db = await opened();
    return new Promise((resolve, reject) => {
      const turn = db.transaction(STORE, mode, { durability: "strict" });
      const asked = work(turn.objectStore(STORE));
      turn.oncomplete = () => resolve(asked.result);
      turn.onabort = () => reject(turn.error);
    });
  }

  const all = () => within("readonly", (store) => store.getAll());
  const waiting = async () => (await all()).filter((one) => one.refused === undefined);
  const drop = (number) => within("readwrite", (store) => store.delete(number));
  const keep = (item) => within("readwrite", (store) => store.put(item));

  // False where as many wait as can.
  async function add(item) {
    if ((await all()).length >= MOST) return false;
    item.number = await within("readwrite", (store) => store.add(item));
    return true;
  }

  async function renewed(item) {
    const answer = await fetch("/taps/token", { cache: "no-store", signal: AbortSignal.timeout(PATIENCE_MS) });
    if (!answer.ok) return;
    const { token } = await answer.json();
    for (const field of item.fields) if (field[0] === "form_token") field[1] = token;
  }

  // The moment of the tap counts, not that of its arrival; told as an age, since a phone's clock may be wrong.
  function posted(item) {
    const fields = new URLSearchParams(item.fields);
    fields.set("ago", String(Math.max(0, (Date.now() - item.tapped) / 1000)));
    fields.set("tap", item.tap);
    const headers = { "dryshift-tap": item.tap };
    return fetch(item.url, { method: "POST", body: fields, headers, redirect: "manual", signal: AbortSignal.timeout(PATIENCE_MS) });
  }

  // What became of one try: taken, refused, or later. Only an answer that names the tap is the service's own.
  async function tried(item) {
    try {
      if (Date.now() - item.tapped > FRESH_MS) await renewed(item);
      let answer = await posted(item);
      if (answer.status === 422 && Date.now() - item.tapped <= FRESH_MS) {
        await renewed(item);
        answer = await posted(item);
      }
      if (answer.headers.get("dryshift-tap") !== item.tap || LATER.has(answer.status)) return { state: "later", status: answer.status };
      const html = await answer.text();
      const goto = answer.headers.get("dryshift-goto") ?? "";
      if (answer.ok) return { state: "taken", html, goto };
      if (answer.status === 500 && (item.defects ?? 0) + 1 < MOST_DEFECTS) {
        await keep({ ...item, defects: (item.defects ?? 0) + 1 });
        return { state: "later", status: 500 };
      }
      return { state: "refused", html, status: answer.status };
    } catch (error) {
      if (!(error instanceof TypeError || error instanceof DOMException || error instanceof SyntaxError)) throw error;
      return { state: "later", status: 0 };
    }
  }

  const answerOf = (html) => (/<main[^>]*>([\s\S]*)<\/main>/.exec(html)?.[1] ?? "").slice(0, LONGEST_ANSWER);

  // Sends what waits, the oldest first, until one cannot go now; tells what became of each.
  async function flushed(told) {
    for (const item of await waiting()) {
      const outcome = await tried(item);
      if (outcome.state === "later") { told(item, outcome); return; }
      if (outcome.state === "refused") await keep({ ...item, refused: answerOf(outcome.html), status: outcome.status });
      else await drop(item.number);
      if (told(item, outcome)) await drop(item.number);
    }
  }

  // One sender at a time in each page; two pages that send the same tap do no harm, since it has one key.
  // `told` hears what became of each tap; true where the person has seen a refusal already.
  async function flush(told = () => false) {
    const before = running;
    let done;
    const own = new Promise((resolve) => { done = resolve; });
    running = own;
    await before;
    try { await flushed(told); } finally { done(); if (running === own) running = null; }
  }

  const busy = () => running !== null;
  return { add, all, busy, drop, flush };
})();
