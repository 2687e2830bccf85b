// Draws the trails that the agent kept, with uPlot (global, see uplot/ORIGIN.md).
// The tables below the plots say the same in words.

const least = 2000; // ms between two drawings

export function plots() {
  let last = 0;
  let due = null;
  let newest = null;
  const drawn = new Map(); // element -> plot

  async function fetchAndDraw() {
    last = Date.now();
    try {
      const answer = await fetch("/curves", { signal: AbortSignal.timeout(8000), cache: "no-store" });
      if (!answer.ok) return;
      newest = await answer.json();
    } catch {
      return; // the page says by itself when there is no contact
    }
    drawAll();
  }

  function drawAll() {
    if (!newest) return;
    for (const box of document.querySelectorAll(".plot")) {
      const was = drawn.get(box);
      const p = box.dataset.pack === undefined ? links(newest, box) : pack(newest.packs.find((x) => x.name === box.dataset.pack), newest, box);
      if (was) was.destroy();
      box.replaceChildren();
      if (p) drawn.set(box, new uPlot(p.options, p.data, box));
    }
  }

  let wide = 0;
  window.addEventListener("resize", () => {
    if (document.documentElement.clientWidth === wide) return; // a phone's bars come and go
    wide = document.documentElement.clientWidth;
    drawAll();
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", drawAll);

  return () => {
    if (due) return;
    due = setTimeout(() => {
      due = null;
      fetchAndDraw();
    }, Math.max(0, least - (Date.now() - last)));
  };
}

function ink() {
  const style = getComputedStyle(document.documentElement);
  const get = (name) => style.getPropertyValue(name).trim();
  return { text: get("--text"), soft: get("--soft"), rule: get("--rule"), line: get("--figure"), band: get("--band"), cut: get("--now"), up: get("--link"), size: parseFloat(style.fontSize) };
}

function base(c, box, all) {
  const font = Math.round(0.82 * c.size) + "px system-ui, sans-serif";
  const axis = { stroke: c.text, font, labelFont: font, labelSize: 1.4 * c.size, grid: { stroke: c.rule, width: 1 }, ticks: { stroke: c.rule, width: 1 } };
  const zone = all.offset_s === 0 ? "UTC" : "local time, UTC" + (all.offset_s < 0 ? "−" : "+") + Math.abs(all.offset_s) / 3600 + " h";
  const two = (n) => String(n).padStart(2, "0");
  // The board's time of day; where its clock is not set, minutes back from now.
  const tick = (t) => {
    if (!all.clock_set) return Math.round((t - all.now) / 60) + "";
    const d = new Date((t + all.offset_s) * 1000);
    return two(d.getUTCHours()) + ":" + two(d.getUTCMinutes());
  };
  return {
    axis,
    options: {
      width: box.clientWidth, height: box.clientHeight, // fixed, so that nothing below it moves under a finger
      legend: { show: false }, cursor: { show: false },
      x: { ...axis, label: all.clock_set ? zone : "minutes, 0 is now", size: 2.2 * c.size, space: 4.6 * c.size,
        incrs: [60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400], values: (u, ts) => ts.map(tick) },
    },
  };
}

function pack(p, all, box) {
  if (!p || p.at.length === 0) return null;
  const c = ink();
  const { axis, options } = base(c, box, all);
  const end = Math.max(all.now, p.known ? p.high : 0);
  const begin = Math.min(p.at[0], end - 600);
  const top = Math.max(...p.volts);
  const bottom = Math.min(...p.volts, p.known ? p.cutoff_v : Infinity);
  const room = Math.max(0.06 * (top - bottom), 0.05);
  return {
    data: [p.at, p.volts],
    options: {
      ...options,
      scales: { x: { time: false, range: [begin, end + 0.04 * (end - begin)] }, y: { range: [bottom - 2 * room, top + room] } },
      axes: [options.x, { ...axis, label: "V at the pack", size: 3.4 * c.size }],
      series: [{}, { stroke: c.line, width: 2.5, points: { show: p.at.length < 3 } }],
      hooks: { drawClear: [(u) => p.known && forecast(u, p, all.now, c)], draw: [(u) => label(u, p, all.now, c)] },
    },
  };
}

// forecast shades when the cut-off is reached: hatched, so that it is no matter of colour.
function forecast(u, p, now, c) {
  const { ctx, bbox } = u;
  const x = (t) => u.valToPos(Math.max(t, now), "x", true);
  const [from, to] = [x(p.low), x(p.high)];
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
  ctx.fillStyle = c.band;
  ctx.fillRect(from, bbox.top, to - from, bbox.height);
  ctx.beginPath();
  ctx.rect(from, bbox.top, to - from, bbox.height);
  ctx.clip();
  ctx.strokeStyle = c.rule;
  ctx.lineWidth = devicePixelRatio;
  ctx.beginPath();
  const step = 9 * devicePixelRatio;
  for (let at = from - bbox.height; at < to; at += step) {
    ctx.moveTo(at, bbox.top + bbox.height);
    ctx.lineTo(at + bbox.height, bbox.top);
  }
  ctx.stroke();
  ctx.restore();
}

function label(u, p, now, c) {
  const { ctx, bbox } = u;
  const px = devicePixelRatio;
  ctx.save();
  ctx.font = "600 " + Math.round(0.82 * c.size * px) + "px system-ui, sans-serif";
  ctx.lineWidth = 1.5 * px;
  const vertical = (t, words, colour, dash, low) => {
    const x = u.valToPos(t, "x", true);
    ctx.strokeStyle = ctx.fillStyle = colour;
    ctx.setLineDash(dash.map((d) => d * px));
    ctx.beginPath();
    ctx.moveTo(x, bbox.top);
    ctx.lineTo(x, bbox.top + bbox.height);
    ctx.stroke();
    const left = x - bbox.left > 0.5 * bbox.width;
    ctx.textAlign = left ? "right" : "left";
    ctx.textBaseline = "top";
    ctx.fillText(words, x + (left ? -5 : 5) * px, bbox.top + (low ? 1.5 * c.size + 4 : 4) * px);
  };
  if (p.known && p.expected > now) vertical(p.expected, "most likely", c.text, [6, 4], true);
  vertical(now, "now", c.soft, [2, 3], false);
  if (p.known) {
    const y = u.valToPos(p.cutoff_v, "y", true);
    ctx.strokeStyle = ctx.fillStyle = c.cut;
    ctx.setLineDash([10 * px, 5 * px]);
    ctx.lineWidth = 2 * px;
    ctx.beginPath();
    ctx.moveTo(bbox.left, y);
    ctx.lineTo(bbox.left + bbox.width, y);
    ctx.stroke();
    ctx.textAlign = "left";
    ctx.textBaseline = "top";
    ctx.fillText("cut-off " + p.cutoff_v.toFixed(2) + " V", bbox.left + 6 * px, y + 4 * px);
  }
  ctx.restore();
}

function links(all, box) {
  const shown = all.links.filter((l) => l.at.length > 0);
  if (shown.length === 0) return null;
  const c = ink();
  const { axis, options } = base(c, box, all);
  const top = Math.max(1, ...shown.flatMap((l) => l.ms.filter((v) => v !== null)));
  const begin = Math.min(...shown.map((l) => l.at[0]), all.now - 600);
  const series = [{}];
  const tables = [];
  for (const l of shown) {
    // The hop is a full line, the uplink a dashed one; a cross marks a look that lost packets.
    series.push({ label: l.name, stroke: l.near ? c.line : c.up, width: 2, dash: l.near ? [] : [8, 4], spanGaps: false, points: { show: l.at.length < 3 } });
    tables.push([l.at, l.ms]);
  }
  return {
    data: uPlot.join(tables),
    options: {
      ...options,
      scales: { x: { time: false, range: [begin, all.now + 0.02 * (all.now - begin)] }, y: { range: [0, 1.25 * top] } },
      axes: [options.x, { ...axis, label: "ms, round trip", size: 3.4 * c.size }],
      series,
      hooks: { draw: [(u) => named(u, shown, c)] },
    },
  };
}

function named(u, shown, c) {
  const { ctx, bbox } = u;
  const px = devicePixelRatio;
  ctx.save();
  ctx.font = "600 " + Math.round(0.82 * c.size * px) + "px system-ui, sans-serif";
  ctx.textBaseline = "top";
  ctx.textAlign = "left";
  let x = bbox.left + 6 * px;
  for (const l of shown) {
    const colour = l.near ? c.line : c.up;
    ctx.strokeStyle = ctx.fillStyle = colour;
    ctx.lineWidth = 2 * px;
    ctx.setLineDash(l.near ? [] : [8 * px, 4 * px]);
    ctx.beginPath();
    ctx.moveTo(x, bbox.top + 0.7 * c.size * px);
    ctx.lineTo(x + 28 * px, bbox.top + 0.7 * c.size * px);
    ctx.stroke();
    ctx.fillText(l.name, x + 33 * px, bbox.top + 3 * px);
    x += 33 * px + ctx.measureText(l.name).width + 14 * px;
    ctx.setLineDash([]);
    l.at.forEach((t, i) => {
      if (l.loss[i] === 0) return;
      const [cx, cy, r] = [u.valToPos(t, "x", true), l.ms[i] === null ? bbox.top + bbox.height - 6 * px : u.valToPos(l.ms[i], "y", true), 4 * px];
      ctx.beginPath();
      ctx.moveTo(cx - r, cy - r);
      ctx.lineTo(cx + r, cy + r);
      ctx.moveTo(cx - r, cy + r);
      ctx.lineTo(cx + r, cy - r);
      ctx.stroke();
    });
  }
  ctx.textAlign = "right";
  ctx.fillStyle = c.soft;
  ctx.fillText("✕ packets lost", bbox.left + bbox.width - 4 * px, bbox.top + 3 * px);
  ctx.restore();
}
