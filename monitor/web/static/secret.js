// A password can be looked at while it is typed; without this script it simply stays hidden.
"use strict";
for (const box of document.querySelectorAll("[data-shows]")) {
  box.closest(".show-secret").hidden = false;
  box.addEventListener("change", () => {
    document.getElementById(box.dataset.shows).type = box.checked ? "text" : "password";
  });
}
