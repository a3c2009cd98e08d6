// Keeps a page up to date without reload, and says when it no longer is.
"use strict";
(() => {
  const SILENT_MS = 25000; // two beats missed
  const KEEP_EVERY_MS = 300000;
  const address = document.documentElement.dataset.live;
  const lost = document.getElementById("lost");
  let heard = Date.now();
  let since = null;

  function clock(ms) {
    const seen = document.querySelector("#piece-clock b");
    const local = new Date(ms).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
    // The shop's own clock, as last seen, is what the numbers on the page go by.
    return seen ? seen.textContent : local;
  }

  function isLost() {
    if (since !== null) return;
    since = heard;
    document.getElementById("lost-since").textContent = clock(since);
    lost.hidden = false;
    document.documentElement.dataset.lost = "yes";
  }

  // The first page as it is now, for a time without network.
  let kept = Date.now();
  function keepFirst() {
    if (document.hidden || Date.now() - kept < KEEP_EVERY_MS) return;
    kept = Date.now();
    navigator.serviceWorker?.controller?.postMessage("keep");
  }

  function isHeard() {
    heard = Date.now();
    if (since === null) return;
    since = null;
    lost.hidden = true;
    delete document.documentElement.dataset.lost;
  }

  // What a person opened, chose or typed stays; so does the place on the page.
  const options = {
    morphStyle: "innerHTML",
    ignoreActiveValue: true,
    callbacks: {
      beforeAttributeUpdated(name, node) {
        return !(name === "open" && node.tagName === "DETAILS");
      },
      beforeNodeMorphed(node) {
        return !(node.tagName === "SELECT" && node.value !== "");
      },
    },
  };

  const dangers = () => [...document.querySelectorAll("#piece-dangers li")];
  const announced = document.getElementById("announced");

  // Only what was no danger before is said aloud, and not again while it lasts.
  function announce(before) {
    const fresh = dangers().filter((one) => !before.has(one.id)).map((one) => one.textContent);
    if (fresh.length > 0) announced.textContent = announced.dataset.new.replace("{what}", fresh.join("; "));
  }

  function show(pieces) {
    const before = new Set(dangers().map((one) => one.id));
    for (const [name, html] of Object.entries(pieces)) {
      const place = document.getElementById(`piece-${name}`);
      if (place) Idiomorph.morph(place, html, options);
    }
    announce(before);
    const words = document.getElementById("answer-words");
    if (words) document.title = document.title.replace(/^[^–]*/, `${words.textContent} `);
    document.dispatchEvent(new Event("pieces"));
  }

  // A page that the service worker kept: how old it is, and the true one as soon as it can be had.
  const old = Number(document.documentElement.dataset.old ?? NaN);
  if (!Number.isNaN(old)) {
    const age = () => {
      const minutes = Math.max(0, Math.round((Date.now() - old) / 60000));
      const [days, hours] = [Math.floor(minutes / 1440), Math.floor(minutes / 60) % 24];
      document.getElementById("old-age").textContent = [days && `${days} d`, hours && `${hours} h`, !days && `${minutes % 60} min`].filter(Boolean).join(" ");
    };
    document.title = document.querySelector(".old-page h1").textContent;
    age();
    setInterval(age, 15000);
    setInterval(async () => {
      const answer = await fetch("/taps/token", { cache: "no-store" }).catch(() => null);
      if (answer?.ok && !document.activeElement?.matches("input, textarea, select")) location.reload();
    }, 5000);
  }

  navigator.serviceWorker?.register("/worker.js");

  if (address && window.EventSource) {
    const source = new EventSource(address);
    source.addEventListener("pieces", (event) => {
      isHeard();
      show(JSON.parse(event.data));
      keepFirst();
    });
    source.addEventListener("beat", isHeard);
    source.addEventListener("error", isLost);
    setInterval(() => {
      if (Date.now() - heard > SILENT_MS) isLost();
    }, 1000);
  }
})();
