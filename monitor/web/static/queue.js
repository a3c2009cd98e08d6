// Every form's tap is kept on the phone before it is sent, and goes out once the service can be reached.
"use strict";
(() => {
  const RETRY_MS = 5000;
  const ASK_MS = 8000;
  const note = document.getElementById("waiting");
  if (!note) return;
  const says = note.dataset;
  const said = (words, item) => words.replace("{what}", item.label).replace("{when}", new Date(item.tapped).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" }));
  const others = window.BroadcastChannel ? new BroadcastChannel("dryshift-taps") : null;
  const drawn = (html) => new DOMParser().parseFromString(`<main>${html}</main>`, "text/html").querySelector("main");
  const tapped = new WeakMap(); // by form: what was tapped last
  let mine = null; // the tap whose answer the person waits for
  let shut = false; // the service asks for a log-in before it takes what waits
  let answer = null; // what this page shows of it, once nothing more can go out

  // Why, in the words of the page that the service answered with.
  function reason(item) {
    const page = drawn(item.refused);
    const faults = [...page.querySelectorAll(".faults li, p.refused")].map((one) => one.textContent.trim());
    return faults.map((one) => one[0].toUpperCase() + one.slice(1)).join(" ") || page.querySelector("p")?.textContent.trim() || `${item.status}`;
  }

  function line(text, item, again) {
    const row = document.createElement("p");
    row.append(`${text} `);
    if (!again) return row;
    const link = document.createElement("a");
    [link.href, link.textContent, link.className] = [item.from, says.again, "button plain"];
    const seen = document.createElement("button");
    [seen.type, seen.textContent, seen.className] = ["button", says.seen, "plain"];
    seen.setAttribute("aria-label", `${says.seen}: ${item.label}`);
    seen.addEventListener("click", async () => { await Outbox.drop(item.number); others?.postMessage(""); await say(); });
    row.append(link, " ", seen);
    return row;
  }

  async function say() {
    const items = await Outbox.all();
    const waits = items.filter((one) => one.refused === undefined && one.number !== mine?.number);
    const refused = items.filter((one) => one.refused !== undefined && one.number !== mine?.number);
    const rows = refused.map((one) => line(`${said(says.refused, one)} ${reason(one)}`, one, true));
    rows.push(...waits.map((one) => line(said(says.waits, one), one, false)));
    if (shut && waits.length > 0) {
      const door = document.createElement("a");
      [door.href, door.textContent, door.className] = ["/log-in", says.shut, "button plain"];
      rows.push(door);
    }
    note.replaceChildren(...rows);
    note.hidden = rows.length === 0;
  }

  function plainly(words) {
    const row = document.createElement("p");
    row.textContent = words;
    note.prepend(row);
    note.hidden = false;
    note.scrollIntoView({ block: "nearest" });
  }

  // The same page again keeps its place on the screen.
  function show(address) {
    const there = new URL(address, location.href);
    if (there.href.split("#")[0] === location.href.split("#")[0]) location.reload();
    else location.assign(there);
  }

  function answered(html) {
    const page = new DOMParser().parseFromString(html, "text/html").querySelector("main");
    if (!page) return;
    document.getElementById("main").replaceChildren(...document.importNode(page, true).childNodes);
    document.dispatchEvent(new Event("answered"));
    window.scrollTo(0, 0);
  }

  // Refused while the person looks: said in its form's place, with what may be tapped instead.
  function refusedHere(form, html) {
    const page = new DOMParser().parseFromString(html, "text/html");
    for (const old of document.querySelectorAll("main .faults, main form.doubted")) old.remove();
    const parts = [...page.querySelectorAll("main .faults, main form.doubted")];
    if (parts.length === 0 || !form.isConnected) { answered(html); return; }
    form.before(...parts.map((one) => document.importNode(one, true)));
    document.querySelector("main .faults").scrollIntoView();
  }

  // What became of a tap; true where the person has seen that it was refused.
  function heard(item, outcome) {
    const form = mine?.number === item.number ? mine.form : null;
    if (form && outcome.status === 401) location.assign("/log-in"); // it waits, and goes out as whoever taps logs in
    if (form) mine = null;
    if (outcome.state === "taken" && (form || here(item))) answer = outcome;
    shut = outcome.status === 401;
    // A piece that follows the shop is drawn anew at any moment: there the refusal stays in the note above.
    if (outcome.state !== "refused" || !form || form.closest("[id^=piece-]")) return false;
    refusedHere(form, outcome.html);
    return true;
  }

  function here(item) {
    const typing = document.activeElement?.matches("input, textarea, select");
    return item.from === location.pathname + location.search && !typing;
  }

  async function flush() {
    await Outbox.flush(heard);
    others?.postMessage("");
    const [own, got] = [mine?.number, answer];
    mine = answer = null;
    if (got?.goto) show(got.goto);
    else if (got) answered(got.html);
    else if (own !== undefined && !(await Outbox.all()).some((one) => one.number === own)) show(location.href); // sent by another page
    await say();
    if (note.querySelector("button")) note.scrollIntoView({ block: "nearest" });
  }

  const random = () => [...crypto.getRandomValues(new Uint8Array(16))].map((one) => one.toString(16).padStart(2, "0")).join("");

  // A deed tapped anew on the same page is another deed, though the form's key is the same.
  function keyed(form, fields, text) {
    const before = tapped.get(form) ?? [];
    const again = before.includes(text) && before.at(-1) !== text;
    tapped.set(form, [...before, text]);
    const key = fields.find(([name]) => name === "key");
    if (again && key) key[1] = random();
    return before.at(-1);
  }

  // What is only asked, or must not lie on the phone, is sent by the browser once the service can be reached.
  async function asked(form, submitter) {
    try {
      const answer = await fetch("/taps/token", { cache: "no-store", signal: AbortSignal.timeout(ASK_MS) });
      await answer.json();
    } catch (error) {
      if (!(error instanceof TypeError || error instanceof DOMException || error instanceof SyntaxError)) throw error;
      plainly(says.unreachable);
      return;
    }
    form.dataset.reached = "yes";
    submitter.classList.remove("sent");
    form.requestSubmit(submitter);
  }

  async function kept(form, submitter) {
    const fields = [...new FormData(form, submitter)].map(([name, value]) => [name, String(value)]);
    const text = JSON.stringify(fields);
    const before = keyed(form, fields, text);
    if (before === text && (await Outbox.all()).some((one) => one.refused === undefined && one.text === text)) { await flush(); return; }
    const address = submitter.getAttribute("formaction") ?? form.getAttribute("action") ?? "";
    const title = form.dataset.queue || document.querySelector("h1")?.textContent.trim() || document.title;
    const label = submitter.dataset.label || `${submitter.textContent.trim()}, ${title}`;
    const agoMs = Number(fields.find(([name]) => name === "ago")?.[1] ?? 0) * 1000;
    const item = {
      url: new URL(address, location.href).href, fields, label, tap: random(), text, tapped: Date.now() - agoMs, from: location.pathname + location.search,
    };
    if (!(await Outbox.add(item))) { plainly(says.full); return; }
    mine = { number: item.number, form };
    const worker = await navigator.serviceWorker?.getRegistration();
    worker?.sync?.register("taps").catch(() => {}); // where the browser has it: sent with the page shut
    await flush();
  }

  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (form.method !== "post" || event.defaultPrevented || !event.submitter) return;
    if (form.dataset.reached) { delete form.dataset.reached; return; }
    event.preventDefault();
    const submitter = event.submitter;
    if (submitter.classList.contains("sent")) return; // its tap is on its way
    submitter.classList.add("sent");
    const onlyNow = form.dataset.queue === "no" || submitter.dataset.queue === "no" || form.matches(".log-in, :has(input[type=password])");
    try {
      await (onlyNow ? asked(form, submitter) : kept(form, submitter));
    } catch (error) {
      if (!(error instanceof DOMException)) throw error;
      await asked(form, submitter); // no room on the phone, or storage closed to this browser
    } finally {
      submitter.classList.remove("sent");
    }
  });

  window.addEventListener("online", flush);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) flush(); });
  others?.addEventListener("message", say);
  setInterval(async () => { if (!Outbox.busy() && (await Outbox.all()).some((one) => one.refused === undefined)) flush(); }, RETRY_MS);
  flush();
})();
