// A sketch of the bead: a tap puts a pore where it is; the form carries them.
"use strict";
function startBead() {
  const SVG = "http://www.w3.org/2000/svg";
  const WORMHOLE_MM = 10; // of which nobody said how long it is
  const sketch = document.getElementById("bead-sketch");
  const field = document.getElementById("sketch");
  const length = document.getElementById("length");
  const said = document.getElementById("bead-said");
  let pores = [];
  try { pores = JSON.parse(field.value); } catch (error) { if (!(error instanceof SyntaxError)) throw error; }
  document.querySelector(".sketch-tools").hidden = false;

  const unit = sketch.dataset.unit;
  const unitMm = Number(sketch.dataset.unitMm);
  const millimetres = () => Math.max(1, (Number(length.value) || 300 / unitMm) * unitMm);
  const ofLast = { length: document.getElementById("pore-length"), depth: document.getElementById("pore-depth") };
  const shown = (mm) => `${Number((mm / unitMm).toPrecision(3))} ${unit}`;
  const chosen = (name) => document.querySelector(`input[name=${name}]:checked`).value;

  function draw() {
    const whole = millimetres();
    const width = sketch.getBoundingClientRect().width || 340;
    sketch.replaceChildren();
    const bead = document.createElementNS(SVG, "rect");
    for (const [name, value] of [["x", 0], ["y", 24], ["width", "100%"], ["height", 52], ["rx", 26], ["class", "bead-body"]]) bead.setAttribute(name, value);
    sketch.append(bead);
    const step = unitMm === 1 ? 25 : unitMm; // an inch, or its round neighbour
    for (let n = 0; n * step <= whole; n += 1) {
      const line = document.createElementNS(SVG, "line");
      const x = `${(100 * n * step) / whole}%`;
      for (const [name, value] of [["x1", x], ["x2", x], ["y1", 80], ["y2", n % 4 ? 88 : 96], ["class", "bead-tick"]]) line.setAttribute(name, value);
      sketch.append(line);
    }
    for (const pore of pores) {
      const shape = document.createElementNS(SVG, "ellipse");
      const pixels = width / whole;
      const round = Math.min(22, Math.max(4, 3 * pore.diameter)); // larger than it is, so that it is seen on a phone
      const rx = Math.max(round, (pore.length * pixels) / 2);
      for (const [name, value] of [["cx", `${(100 * pore.at) / whole}%`], ["cy", 50], ["rx", rx], ["ry", round], ["class", "bead-pore"]]) shape.setAttribute(name, value);
      sketch.append(shape);
    }
    document.getElementById("bead-middle").textContent = shown(whole / 2);
    document.getElementById("bead-end").textContent = shown(whole);
    const last = pores.at(-1);
    said.textContent = last === undefined ? said.dataset.saidNone
      : said.dataset.saidSome.replace("{n}", pores.length).replace("{at}", shown(last.at)).replace("{wide}", shown(last.diameter));
    field.value = JSON.stringify(pores);
  }

  // The fields below the sketch are the last pore's.
  function tell() {
    for (const [name, input] of Object.entries(ofLast)) {
      input.disabled = pores.length === 0;
      input.value = pores.at(-1)?.[name] ? Number((pores.at(-1)[name] / unitMm).toPrecision(4)) : "";
    }
  }
  for (const [name, input] of Object.entries(ofLast)) {
    input.addEventListener("input", () => {
      if (pores.length === 0) return;
      pores.at(-1)[name] = Math.max(0, Number(input.value) || 0) * unitMm;
      draw();
    });
  }

  const place = document.getElementById("bead-place");
  function far() {
    place.max = String(Math.round(millimetres()));
    place.setAttribute("aria-valuetext", shown(Number(place.value)));
  }

  function put(at) {
    const kind = chosen("_kind");
    pores.push({ at, diameter: Number(chosen("_size")), length: kind === "wormhole" ? WORMHOLE_MM : 0, depth: 0, kind });
    document.querySelector("input[name=none_seen]").checked = false;
    tell();
    draw();
  }

  sketch.addEventListener("pointerdown", (event) => {
    const box = sketch.getBoundingClientRect();
    const share = Math.min(1, Math.max(0, (event.clientX - box.left) / box.width));
    put(Math.min(Math.round(millimetres() * share), millimetres()));
  });
  place.addEventListener("input", far);
  document.getElementById("bead-put").addEventListener("click", () => put(Number(place.value)));
  document.getElementById("bead-back").addEventListener("click", () => { pores.pop(); tell(); draw(); });
  length.addEventListener("input", () => { far(); draw(); });
  far();
  tell();
  draw();
}
startBead();
document.addEventListener("answered", startBead);
