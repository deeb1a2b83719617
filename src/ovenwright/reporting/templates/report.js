// Zoom for the time charts. Curves and stretches are scaled, pins are moved, ticks are drawn anew.
"use strict";
for (const figure of document.querySelectorAll("figure[data-zoom]")) {
  const svg = figure.querySelector("svg");
  const [X0, X1, Y0, Y1, left, top, width, height, foot] = svg.dataset.frame.split(" ").map(Number);
  const base = top + height;
  const curves = svg.querySelector(".curves");
  const along = svg.querySelector(".along");
  const pins = [...svg.querySelectorAll(".pin")];
  const lines = [...curves.querySelectorAll("path")].map((path) => ({
    name: path.dataset.name,
    points: [...path.getAttribute("d").matchAll(/[ML]([-\d.]+) ([-\d.]+)/g)].map((m) => [+m[1], +m[2]]),
  }));
  const toX = (px) => X0 + ((px - left) / width) * (X1 - X0);
  const toY = (py) => Y0 + ((base - py) / height) * (Y1 - Y0);
  const whole = { a: left, b: left + width };
  let view = { ...whole };
  let low = base, high = top; // pixels of the undisturbed drawing now at the foot and at the head

  const digits = (step) => Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  const steps = (from, to, about) => {
    const rough = (to - from) / about, power = 10 ** Math.floor(Math.log10(rough));
    const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough);
    const out = [];
    for (let k = Math.ceil(from / step - 1e-9); k * step <= to + step * 1e-9; k++) out.push(k * step);
    return [out, digits(step)];
  };
  const number = (v, d) => v.toFixed(d).replace("-", "−");

  function fit() {
    let lo = -Infinity, hi = Infinity;
    for (const line of lines)
      for (const [x, y] of line.points)
        if (x >= view.a && x <= view.b) { if (y > lo) lo = y; if (y < hi) hi = y; }
    if (view.b - view.a > 0.999 * width || lo === -Infinity) { low = base; high = top; return; }
    const room = Math.max((lo - hi) * 0.07, 2);
    low = Math.min(lo + room + (foot / (height - foot)) * (lo - hi + 2 * room), base); high = Math.max(hi - room, top);
  }

  function draw() {
    fit();
    const sx = width / (view.b - view.a), sy = height / (low - high);
    const mapX = (px) => left + (px - view.a) * sx, mapY = (py) => base - (low - py) * sy;
    curves.setAttribute("transform", `translate(${left - view.a * sx} ${base - low * sy}) scale(${sx} ${sy})`);
    along.setAttribute("transform", `translate(${left - view.a * sx} 0) scale(${sx} 1)`);
    for (const pin of pins) {
      const px = pin.dataset.px, py = pin.dataset.py;
      const dx = px === undefined ? 0 : mapX(+px) - +px, dy = py === undefined ? 0 : mapY(+py) - +py;
      pin.setAttribute("transform", `translate(${dx} ${dy})`);
      const gone = py !== undefined && (mapY(+py) < top - 4 || mapY(+py) > base + 4);
      pin.setAttribute("visibility", gone ? "hidden" : "visible");
    }
    const faint = "var(--faint)";
    const [xs, xd] = steps(toX(view.a), toX(view.b), 9), [ys, yd] = steps(toY(low), toY(high), 7);
    svg.querySelector(".x-ticks").innerHTML = xs.map((v) => {
      const x = mapX(left + ((v - X0) / (X1 - X0)) * width);
      return `<line x1="${x}" x2="${x}" y1="${base}" y2="${base + 5}" stroke="${faint}"/>` +
        `<text x="${x}" y="${base + 18}" text-anchor="middle" fill="${faint}">${number(v, xd)}</text>`;
    }).join("");
    svg.querySelector(".y-ticks").innerHTML = ys.map((v) => {
      const y = mapY(base - ((v - Y0) / (Y1 - Y0)) * height);
      if (foot && y > base - foot) return "";
      return `<line x1="${left}" x2="${left + width}" y1="${y}" y2="${y}" stroke="var(--rule)" stroke-width="0.8"/>` +
        `<text x="${left - 7}" y="${y + 4}" text-anchor="end" fill="${faint}">${number(v, yd)}</text>`;
    }).join("");
  }

  function show(a, b) {
    const least = width / 400, span = Math.min(Math.max(b - a, least), width);
    const from = Math.min(Math.max(a, left), left + width - span);
    view = { a: from, b: from + span };
    draw();
  }
  const around = (factor, at = (view.a + view.b) / 2) => show(at - (at - view.a) * factor, at + (view.b - at) * factor);
  const shift = (share) => show(view.a + share * (view.b - view.a), view.b + share * (view.b - view.a));
  const acts = {
    closer: () => around(0.5), wider: () => around(2), earlier: () => shift(-0.5), later: () => shift(0.5),
    whole: () => show(whole.a, whole.b),
  };
  for (const button of figure.querySelectorAll("button[data-act]"))
    button.addEventListener("click", () => acts[button.dataset.act]());

  const place = (event) => {
    const box = svg.getBoundingClientRect();
    return ((event.clientX - box.left) / box.width) * svg.viewBox.baseVal.width;
  };
  const undo = (px) => view.a + ((px - left) / width) * (view.b - view.a);
  const veil = document.createElementNS("http://www.w3.org/2000/svg", "rect");
  veil.setAttribute("y", top); veil.setAttribute("height", height);
  veil.setAttribute("fill", "var(--faint)"); veil.setAttribute("fill-opacity", "0.2");
  veil.setAttribute("visibility", "hidden");
  svg.append(veil);
  let held = null;
  svg.addEventListener("pointerdown", (event) => {
    const px = place(event);
    if (event.pointerType !== "mouse" || px < left || px > left + width) return;
    held = px; svg.setPointerCapture(event.pointerId); event.preventDefault();
  });
  svg.addEventListener("pointermove", (event) => {
    const px = Math.min(Math.max(place(event), left), left + width);
    if (held !== null) {
      veil.setAttribute("x", Math.min(held, px)); veil.setAttribute("width", Math.abs(px - held));
      veil.setAttribute("visibility", "visible");
    }
    read(undo(px));
  });
  svg.addEventListener("pointerup", (event) => {
    if (held === null) return;
    const px = Math.min(Math.max(place(event), left), left + width), from = held;
    held = null; veil.setAttribute("visibility", "hidden");
    if (Math.abs(px - from) > 6) show(Math.min(undo(from), undo(px)), Math.max(undo(from), undo(px)));
  });
  svg.addEventListener("dblclick", acts.whole);

  const readout = figure.querySelector(".readout");
  function read(px) {
    const parts = lines.map((line) => {
      const p = line.points;
      let lo = 0, hi = p.length - 1;
      while (hi - lo > 1) { const mid = (lo + hi) >> 1; if (p[mid][0] <= px) lo = mid; else hi = mid; }
      if (!p.length || px < p[0][0] - 0.1 || px > p[hi][0] + 0.1) return `${line.name} –`;
      const share = p[hi][0] > p[lo][0] ? (px - p[lo][0]) / (p[hi][0] - p[lo][0]) : 0;
      return `${line.name} ${number(toY(p[lo][1] + share * (p[hi][1] - p[lo][1])), 1)}`;
    });
    readout.textContent = `at ${number(toX(px), 2)} min: ${parts.join(" · ")}`;
  }
  read(left + width); // the line below the chart is never empty: it begins with the end of the run
}
