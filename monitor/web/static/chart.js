// Reads values off the weekly chart under a finger or pointer; the page is whole without it.
"use strict";
(() => {
  const chart = document.getElementById("chart");
  const plots = [...document.querySelectorAll(".plot")];
  if (!chart || plots.length === 0) return;
  const start = Number(chart.dataset.start);
  const end = Number(chart.dataset.end);
  const clock = new Intl.DateTimeFormat("en-GB", {
    weekday: "short", hour: "2-digit", minute: "2-digit", timeZone: chart.dataset.zoneName,
  });

  // Every line as [x, y] pairs of the stretched plot, read from its path once.
  const panels = plots.map((plot) => {
    const section = plot.closest(".panel");
    const low = Number(section.dataset.low);
    const high = Number(section.dataset.high);
    const names = [...section.querySelectorAll(".legend span")].map((one) => one.textContent);
    const lines = [...plot.querySelectorAll("path.line")].map((path, n) => ({
      name: names[n],
      points: path.getAttribute("d").split(/[ML]/).filter(Boolean).map((pair) => pair.split(" ").map(Number)),
    }));
    return { section, plot, low, high, lines, cursor: plot.querySelector(".cursor"), out: section.querySelector(".readout") };
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
    for (const { low, high, lines, cursor, out } of panels) {
      cursor.removeAttribute("hidden");
      for (const name of ["x1", "x2"]) cursor.setAttribute(name, `${100 * fraction}%`);
      const found = lines.map(({ name, points }) => {
        const point = nearest(points, 10000 * fraction);
        const value = point === null ? "no reading" : (high - (point[1] / 1000) * (high - low)).toFixed(1);
        return lines.length === 1 ? value : `${name} ${value}`;
      });
      out.textContent = `${time}: ${found.join(", ")}`;
    }
  }

  for (const plot of plots) {
    plot.addEventListener("pointermove", (event) => {
      const box = plot.getBoundingClientRect();
      read(Math.min(1, Math.max(0, (event.clientX - box.left) / box.width)));
    });
    plot.addEventListener("pointerdown", (event) => {
      const box = plot.getBoundingClientRect();
      read(Math.min(1, Math.max(0, (event.clientX - box.left) / box.width)));
    });
  }
})();
