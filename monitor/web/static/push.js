// Asks the browser for a subscription to push messages and hands it to the service.
"use strict";
(() => {
  const form = document.getElementById("push");
  if (!form) return;
  const said = document.getElementById("push-said");
  const say = (words) => { said.textContent = words; said.hidden = false; };
  if (!("serviceWorker" in navigator) || !("PushManager" in window)) { say(said.dataset.unable); return; }
  form.hidden = false;
  const bytes = (text) => Uint8Array.from(atob(text.replace(/-/g, "+").replace(/_/g, "/")), (sign) => sign.charCodeAt(0));
  const device = () => /iPhone|iPad|Android|Windows|Mac OS|Linux/.exec(navigator.userAgent)?.[0] ?? "";

  document.getElementById("push-ask").addEventListener("click", async () => {
    if ((await Notification.requestPermission()) !== "granted") { say(said.dataset.refused); return; }
    try {
      const worker = await navigator.serviceWorker.ready;
      const made = await worker.pushManager.subscribe({ userVisibleOnly: true, applicationServerKey: bytes(form.dataset.key) });
      const { endpoint, keys } = made.toJSON();
      for (const [name, value] of Object.entries({ endpoint, public_key: keys.p256dh, secret: keys.auth, device: device() })) form.elements[name].value = value;
      form.requestSubmit();
    } catch (error) {
      if (!(error instanceof DOMException)) throw error;
      say(`${said.dataset.unable} (${error.message})`);
    }
  });
})();
