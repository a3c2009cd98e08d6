// Reads values off all plots of a page under one crosshair, and asks for a nearer look; the page is whole without it.
"use strict";
(() => {
  const chart = document.getElementById("chart");
  const plots = [...document.querySelectorAll(".plot")];
  if (!chart || plots.length === 0) return;
  const start = Number(chart.dataset.start);
  const end = Number(chart.dataset.end);
  const hand = document.getElementById("crosshair");
  const clock = new Intl.DateTimeFormat("en-GB", {
    weekday: "short", hour: "2-digit", minute: "2-digit", timeZone: chart.dataset.zoneName,
  });

  // Every line as [x, y] pairs of the stretched plot, read from its path once.
  const panels = plots.map((plot) => {
    const section = plot.closest(".panel");
    const names = [...section.querySelectorAll(".legend span")].map((one) => one.textContent.trim());
    const lines = [...plot.querySelectorAll("path.ghost, path.line")].map((path, n) => ({
      name: names[n],
      points: path.getAttribute("d").split(/[ML]/).filter(Boolean).map((pair) => pair.split(" ").map(Number)),
    }));
    return {
      plot, lines, low: Number(section.dataset.low), high: Number(section.dataset.high),
      cursor: plot.querySelector(".cursor"), box: plot.querySelector(".zoom-box"), out: section.querySelector(".readout"),
    };
  });

  function nearest(points, x) {
    let best = null;
    for (const point of points) {
      if (best === null || Math.abs(point[0] - x) < Math.abs(best[0] - x)) best = point;
    }
    return best !== null && Math.abs(best[0] - x) < 60 ? best : null;
  }

  function read(fraction) {
    const time = clock.format(new Date(1000 * (start + fraction * (end - start))));
    const said = [];
    for (const { low, high, lines, cursor, out } of panels) {
      cursor.removeAttribute("hidden");
      for (const name of ["x1", "x2"]) cursor.setAttribute(name, `${100 * fraction}%`);
      const found = lines.map(({ name, points }) => {
        const point = nearest(points, 10000 * fraction);
        const value = point === null ? "no reading" : (high - (point[1] / 1000) * (high - low)).toFixed(1);
        return lines.length === 1 ? value : `${name} ${value}`;
      });
      out.textContent = `${time}: ${found.join(", ")}`;
      said.push(out.textContent);
    }
    if (hand) {
      hand.value = String(Math.round(1000 * fraction));
      hand.setAttribute("aria-valuetext", said.join("; "));
    }
  }

  function look(from, to) {
    if (chart.dataset.zoom && to - from >= 3600) {
      location.assign(`${chart.dataset.zoom}from_s=${Math.round(from)}&to_s=${Math.round(to)}`);
    }
  }

  if (hand) {
    hand.closest(".crosshair").hidden = false;
    hand.addEventListener("input", () => read(Number(hand.value) / 1000));
    hand.addEventListener("keydown", (event) => {
      const at = start + (Number(hand.value) / 1000) * (end - start);
      const half = (end - start) * { "+": 0.25, "=": 0.25, "-": 1 }[event.key];
      if (half > 0) {
        event.preventDefault();
        look(at - half, at + half);
      }
    });
  }

  const fingers = new Map(); // where each finger or the pressed pointer began and is, as fractions
  for (const { plot, box } of panels) {
    const part = (event) => {
      const edge = plot.getBoundingClientRect();
      return Math.min(1, Math.max(0, (event.clientX - edge.left) / edge.width));
    };
    plot.addEventListener("pointerdown", (event) => {
      fingers.set(event.pointerId, { from: part(event), to: part(event) });
      plot.setPointerCapture(event.pointerId);
      read(part(event));
    });
    plot.addEventListener("pointermove", (event) => {
      const finger = fingers.get(event.pointerId);
      if (finger) finger.to = part(event);
      if (fingers.size < 2) read(part(event));
      if (finger && event.pointerType === "mouse") {
        box.toggleAttribute("hidden", Math.abs(finger.to - finger.from) < 0.02);
        box.setAttribute("x", `${100 * Math.min(finger.from, finger.to)}%`);
        box.setAttribute("width", `${100 * Math.abs(finger.to - finger.from)}%`);
      }
    });
    const lift = (event) => {
      const all = [...fingers.values()];
      const one = fingers.get(event.pointerId);
      fingers.clear();
      box.setAttribute("hidden", "hidden");
      if (event.type === "pointercancel" || !one) return;
      const at = (fraction) => start + fraction * (end - start);
      if (all.length === 2) {
        // What lay under the two fingers lies under them afterwards.
        const [a, b] = all.sort((left, right) => left.from - right.from);
        const apart = b.to - a.to;
        if (apart > 0.02 && Math.abs(apart - (b.from - a.from)) > 0.05) {
          const wide = (b.from - a.from) / apart;
          const from = a.from - a.to * wide;
          look(at(from), at(from + wide));
        }
      } else if (event.pointerType === "mouse" && Math.abs(one.to - one.from) >= 0.02) {
        look(at(Math.min(one.from, one.to)), at(Math.max(one.from, one.to)));
      }
    };
    plot.addEventListener("pointerup", lift);
    plot.addEventListener("pointercancel", lift);
  }
})();
