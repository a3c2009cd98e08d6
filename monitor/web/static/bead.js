// A sketch of the bead: a tap puts a pore where it is; the form carries them.
"use strict";
(() => {
  const SVG = "http://www.w3.org/2000/svg";
  const WORMHOLE_MM = 10;
  const sketch = document.getElementById("bead-sketch");
  const field = document.getElementById("sketch");
  const length = document.getElementById("length");
  const said = document.getElementById("bead-said");
  let pores = [];
  try { pores = JSON.parse(field.value); } catch (error) { if (!(error instanceof SyntaxError)) throw error; }
  document.querySelector(".sketch-tools").hidden = false;

  const millimetres = () => Math.max(1, Number(length.value) || 300);
  const chosen = (name) => document.querySelector(`input[name=${name}]:checked`).value;

  function draw() {
    const whole = millimetres();
    const width = sketch.getBoundingClientRect().width || 340;
    sketch.replaceChildren();
    const bead = document.createElementNS(SVG, "rect");
    for (const [name, value] of [["x", 0], ["y", 24], ["width", "100%"], ["height", 52], ["rx", 26], ["class", "bead-body"]]) bead.setAttribute(name, value);
    sketch.append(bead);
    for (let at = 0; at <= whole; at += 25) {
      const line = document.createElementNS(SVG, "line");
      const x = `${(100 * at) / whole}%`;
      for (const [name, value] of [["x1", x], ["x2", x], ["y1", 80], ["y2", at % 100 ? 88 : 96], ["class", "bead-tick"]]) line.setAttribute(name, value);
      sketch.append(line);
    }
    for (const pore of pores) {
      const shape = document.createElementNS(SVG, "ellipse");
      const pixels = width / whole;
      const rx = Math.max(5, (Math.max(pore.diameter, pore.length) * pixels) / 2);
      for (const [name, value] of [["cx", `${(100 * pore.at) / whole}%`], ["cy", 50], ["rx", rx], ["ry", Math.max(5, Math.min(24, 4 * pore.diameter))], ["class", "bead-pore"]]) shape.setAttribute(name, value);
      sketch.append(shape);
    }
    document.getElementById("bead-middle").textContent = `${Math.round(whole / 2)} mm`;
    document.getElementById("bead-end").textContent = `${Math.round(whole)} mm`;
    said.textContent = pores.length === 0 ? "No pore yet." : `${pores.length} on the sketch; the last at ${pores.at(-1).at} mm, ${pores.at(-1).diameter} mm wide.`;
    field.value = JSON.stringify(pores);
  }

  sketch.addEventListener("pointerdown", (event) => {
    const box = sketch.getBoundingClientRect();
    const at = Math.round(millimetres() * Math.min(1, Math.max(0, (event.clientX - box.left) / box.width)));
    const kind = chosen("_kind");
    pores.push({ at, diameter: Number(chosen("_size")), length: kind === "wormhole" ? WORMHOLE_MM : 0, kind });
    draw();
  });
  document.getElementById("bead-back").addEventListener("click", () => { pores.pop(); draw(); });
  length.addEventListener("input", draw);
  draw();
})();
