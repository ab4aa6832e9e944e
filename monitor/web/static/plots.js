"use strict";
/* Readout under the pointer and, where the page allows it, zoom by dragging along the time axis.
   Everything is read back from the drawing itself: the x of a curve runs from 0 to 10,000 over the chart's span. */
(() => {
  const WIDTH = 10000, SVG = "http://www.w3.org/2000/svg";
  const two = (n) => String(n).padStart(2, "0");
  const clock = (ms, seconds) => {
    const t = new Date(ms);
    return `${t.getUTCFullYear()}-${two(t.getUTCMonth() + 1)}-${two(t.getUTCDate())} ${two(t.getUTCHours())}:${two(t.getUTCMinutes())}${seconds ? ":" + two(t.getUTCSeconds()) : ""}`;
  };

  function curve(path) {                       // [x, y, x, y, ...] of a path, every stretch in order
    if (!path.xy) path.xy = (path.getAttribute("d").match(/-?[\d.]+,-?[\d.]+/g) || []).flatMap((p) => p.split(",").map(Number));
    return path.xy;
  }

  function nearest(xy, x) {                    // y at the point next to x; undefined where the curve has a gap
    let low = 0, high = xy.length / 2 - 1;
    if (high < 0) return undefined;
    while (high - low > 1) { const mid = (low + high) >> 1; if (xy[2 * mid] <= x) low = mid; else high = mid; }
    const best = Math.abs(xy[2 * low] - x) <= Math.abs(xy[2 * high] - x) ? low : high;
    return Math.abs(xy[2 * best] - x) <= 40 ? xy[2 * best + 1] : undefined;
  }

  function readings(chart, x) {
    const low = Number(chart.dataset.low), high = Number(chart.dataset.high);
    const height = chart.querySelector("svg.data").viewBox.baseVal.height;
    const unit = chart.closest("figure").querySelector(".unit").textContent;
    return [...chart.querySelectorAll("path.line[data-label]")].map((path) => {
      const y = nearest(curve(path), x);
      return y === undefined ? `${path.dataset.label} \u2014` : `${path.dataset.label} ${(high - y / height * (high - low)).toPrecision(3)} ${unit}`;
    });
  }

  function attach(plots) {
    const readout = document.createElement("div");
    readout.className = "readout";
    const hint = plots.hasAttribute("data-zoom") ? "Point at a plot to read values; drag along it to zoom." : "Point at a plot to read values.";
    plots.before(readout);
    let from = 0, to = WIDTH, began = null;

    const charts = () => [...plots.querySelectorAll("svg.chart")];
    const place = (event) => {
      const box = event.target.closest("svg.chart").getBoundingClientRect();
      return from + Math.min(1, Math.max(0, (event.clientX - box.left) / box.width)) * (to - from);
    };
    const overlay = (name, x, width) => {
      for (const chart of charts()) {
        const data = chart.querySelector("svg.data");
        let shape = data.querySelector(`:scope > rect.${name}`);
        if (!shape) { shape = document.createElementNS(SVG, "rect"); shape.setAttribute("class", name); data.append(shape); }
        shape.setAttribute("x", x); shape.setAttribute("width", width); shape.setAttribute("y", 0);
        shape.setAttribute("height", data.viewBox.baseVal.height);
      }
    };
    const clear = (name) => plots.querySelectorAll(`rect.${name}`).forEach((r) => r.remove());

    function rest() {
      readout.textContent = hint;
      if (from > 0 || to < WIDTH) {
        const button = document.createElement("button");
        button.type = "button"; button.className = "zoom"; button.textContent = "Show all";
        button.addEventListener("click", () => zoom(0, WIDTH));
        readout.append(" ", button);
      }
    }

    function zoom(a, b) {
      from = a; to = b;
      for (const chart of charts()) {
        const data = chart.querySelector("svg.data"), start = Number(chart.dataset.start), end = Number(chart.dataset.end);
        data.setAttribute("viewBox", `${a} 0 ${b - a} ${data.viewBox.baseVal.height}`);
        const times = chart.querySelector("g.times");
        times.whole = times.whole || [...times.children];
        if (a === 0 && b === WIDTH) { times.replaceChildren(...times.whole); continue; }
        const y = Number(chart.getAttribute("height")) - 6;
        times.replaceChildren(...[0, 1 / 2, 1].map((part) => {
          const text = document.createElementNS(SVG, "text");
          text.setAttribute("class", "tick"); text.setAttribute("x", `${part * 100}%`); text.setAttribute("y", y);
          text.setAttribute("text-anchor", ["start", "middle", "end"][part * 2]);
          text.textContent = clock(start + (a + part * (b - a)) / WIDTH * (end - start), (b - a) * (end - start) < 36e9);
          return text;
        }));
      }
      rest();
    }

    plots.addEventListener("pointermove", (event) => {
      const chart = event.target.closest("svg.chart");
      if (!chart) return;
      const x = place(event), start = Number(chart.dataset.start), end = Number(chart.dataset.end);
      const values = charts().filter((c) => c.dataset.low !== undefined).flatMap((c) => readings(c, x));
      readout.textContent = `${clock(start + x / WIDTH * (end - start), true)} UTC \u2003 ${values.join(" \u2003 ")}`;
      overlay("cursor", x, (to - from) / 1200);
      if (began !== null) overlay("chosen", Math.min(began, x), Math.abs(x - began));
    });
    plots.addEventListener("pointerleave", () => { clear("cursor"); clear("chosen"); began = null; rest(); });
    if (plots.hasAttribute("data-zoom")) {
      plots.addEventListener("pointerdown", (event) => {
        if (event.pointerType !== "touch" && event.target.closest("svg.chart")) { began = place(event); event.preventDefault(); }
      });
      plots.addEventListener("pointerup", (event) => {
        if (began === null || !event.target.closest("svg.chart")) return;
        const x = place(event), a = Math.min(began, x), b = Math.max(began, x);
        began = null; clear("chosen");
        if (b - a > (to - from) / 100) zoom(a, b);
      });
    }
    rest();
  }

  document.querySelectorAll(".plots").forEach(attach);
})();
