// The wall: what does not fit takes turns, and nothing stays on the same pixels for hours.
"use strict";
(() => {
  const TURN_MS = 12000;
  const MOVE_MS = 60000;
  const PLACES = [[0, 0], [4, 0], [4, 4], [0, 4], [-4, 4], [-4, 0], [-4, -4], [0, -4], [4, -4]];
  const first = new Map(); // by box: the item that begins the turn

  // Shows as many as fit from the first one on; returns the one that begins the next turn.
  function show(box) {
    const items = [...box.querySelectorAll(".wall-items > li")];
    let from = first.get(box.id) || 0;
    if (from >= items.length) from = 0;
    box.classList.remove("tight");
    items.forEach((item) => { item.hidden = true; });
    let next = from;
    while (next < items.length) {
      items[next].hidden = false;
      if (next === from) box.classList.toggle("tight", box.scrollHeight > box.clientHeight);
      if (next > from && box.scrollHeight > box.clientHeight) {
        items[next].hidden = true;
        break;
      }
      next += 1;
    }
    first.set(box.id, from);
    const said = document.getElementById(box.dataset.turns);
    const all = next - from >= items.length;
    const words = next - from > 1 ? said.dataset.saidSome : said.dataset.saidOne;
    said.textContent = all ? "" : words.replace("{from}", from + 1).replace("{at}", next).replace("{all}", items.length);
    return next;
  }

  const boxes = [...document.querySelectorAll("[data-turns]")];
  const again = () => boxes.forEach(show);
  setInterval(() => {
    boxes.forEach((box) => {
      first.set(box.id, show(box));
      show(box);
    });
  }, TURN_MS);
  let place = 0;
  setInterval(() => {
    place = (place + 1) % PLACES.length;
    const [x, y] = PLACES[place];
    document.body.style.transform = `translate(${x}px, ${y}px)`;
  }, MOVE_MS);
  document.addEventListener("pieces", again);
  window.addEventListener("resize", again);
  again();
})();
