// Taps on the rack's buttons arrive even where the connection drops: they wait on the phone and go out once.
"use strict";
(() => {
  const STORE = "dryshift-waiting";
  const PATIENCE_MS = 8000;
  const RETRY_MS = 5000;
  const note = document.getElementById("waiting");
  let sending = false;

  const load = () => JSON.parse(localStorage.getItem(STORE) || "[]");
  const save = (items) => localStorage.setItem(STORE, JSON.stringify(items));

  function say(items, refused) {
    const lines = items.map((one) => `Not sent yet: ${one.label}. It goes out by itself when the connection is back.`);
    if (refused) lines.push(refused);
    note.textContent = lines.join(" ");
    note.hidden = lines.length === 0;
  }

  // The moment of the tap counts, not that of its arrival; told as an age, since a phone's clock may be wrong.
  async function send(item) {
    const fields = new URLSearchParams(item.fields);
    fields.set("ago", String(Math.max(0, (Date.now() - item.tapped) / 1000)));
    return fetch(item.url, { method: "POST", body: fields, redirect: "follow", signal: AbortSignal.timeout(PATIENCE_MS) });
  }

  // The same page again keeps its place on the screen.
  function show(address) {
    if (address === location.href.split("#")[0]) location.reload();
    else location.assign(address);
  }

  async function flush() {
    if (sending) return;
    sending = true;
    let refused = "";
    try {
      let items = load();
      while (items.length > 0) {
        const response = await send(items[0]);
        if (response.status >= 500) break;
        if (!response.ok) refused = `Refused: ${items[0].label}. Enter it again on its page.`;
        items = load().slice(1);
        save(items);
        if (response.ok && items.length === 0 && !refused) show(response.url);
      }
    } catch (error) {
      if (!(error instanceof TypeError || error instanceof DOMException)) throw error;
    } finally {
      sending = false;
      say(load(), refused);
    }
  }

  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (!form.dataset.queue || !event.submitter || event.defaultPrevented) return;
    event.preventDefault();
    const fields = [...new FormData(form, event.submitter)].map(([name, value]) => [name, String(value)]);
    const label = event.submitter.dataset.label || `${event.submitter.textContent.trim()}, ${form.dataset.queue}`;
    const item = { url: form.action, fields, label, tapped: Date.now() };
    event.submitter.classList.add("sent");
    try {
      const response = await send(item);
      if (response.status < 500) {
        if (response.ok) { show(response.url); return; }
        const page = new DOMParser().parseFromString(await response.text(), "text/html");
        const faults = page.querySelector(".faults");
        document.querySelector(".faults")?.remove();
        if (faults) { form.before(document.importNode(faults, true)); document.querySelector(".faults").scrollIntoView(); }
        delete form.dataset.sent;
        return;
      }
    } catch (error) {
      if (!(error instanceof TypeError || error instanceof DOMException)) throw error;
    } finally {
      event.submitter.classList.remove("sent");
    }
    save([...load(), item]);
    say(load(), "");
  });

  window.addEventListener("online", flush);
  setInterval(() => { if (load().length > 0) flush(); }, RETRY_MS);
  flush();
})();
