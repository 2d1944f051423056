// Draws charge, volts and amperes of one cell. Least and greatest of each stretch of time
// are drawn, so that no spike is lost; the daemon reduces, this only draws.
"use strict";
(() => {
  const box = document.getElementById("curves");
  if (!box || !window.uPlot) return;
  box.hidden = false;
  const plots = document.getElementById("plots");
  const readout = document.getElementById("readout");
  const words = document.getElementById("read");
  const { cell, run } = box.dataset;
  const touch = matchMedia("(pointer: coarse)").matches;
  const hint = touch ? "Tap to read values; swipe along the curves to zoom." : readout.textContent;
  readout.textContent = hint;
  let data = null; // what the daemon sent last
  let span = null; // seconds shown up to now; null: all; [from, to]: fixed
  let charts = [];
  let loading = 0;

  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  // offset is that of the daemon's clock against UTC at a moment; it changes with daylight saving.
  const offset = (seconds) => {
    let now = 0;
    for (const [from, east] of data.offsets) if (seconds >= from) now = east;
    return now;
  };
  const zoned = (seconds) => new Date((seconds + offset(seconds)) * 1000);
  // A date that the browser's own clock shows as the daemon's does, so that ticks stand at full hours of the daemon's clock.
  const local = (seconds) => { const d = zoned(seconds); return new Date(d.getTime() + d.getTimezoneOffset() * 60000); };
  const two = (n) => String(n).padStart(2, "0");
  const clock = (seconds, withSeconds) => {
    const d = zoned(seconds);
    return `${two(d.getUTCHours())}:${two(d.getUTCMinutes())}${withSeconds ? `:${two(d.getUTCSeconds())}` : ""}`;
  };
  const day = (seconds) => { const d = zoned(seconds); return `${d.getUTCDate()}.${d.getUTCMonth() + 1}.`; };
  const ticks = (u, splits) => splits.map((s, i) => {
    const long = splits.length > 1 && splits[1] - splits[0] >= 86400;
    if (long) return day(s);
    return i > 0 && day(s) !== day(splits[i - 1]) ? `${day(s)} ${clock(s)}` : clock(s, splits.length > 1 && splits[1] - splits[0] < 60);
  });

  // hatch is a pattern that shows in black and white too.
  const hatch = (ctx) => {
    const c = document.createElement("canvas");
    c.width = c.height = 8;
    const p = c.getContext("2d");
    p.strokeStyle = colour("--hatch");
    p.lineWidth = 1.5;
    p.beginPath(); p.moveTo(0, 8); p.lineTo(8, 0); p.stroke();
    return ctx.createPattern(c, "repeat");
  };
  const shade = (u) => {
    const { ctx, bbox } = u;
    ctx.save();
    ctx.beginPath(); ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height); ctx.clip();
    ctx.fillStyle = hatch(ctx);
    for (const g of data.gaps) {
      const a = u.valToPos(g.from, "x", true), b = u.valToPos(g.to, "x", true);
      ctx.fillRect(a, bbox.top, Math.max(2, b - a), bbox.height);
    }
    ctx.restore();
  };
  const marks = (u) => {
    const { ctx, bbox } = u;
    const px = devicePixelRatio || 1;
    ctx.save();
    ctx.font = `${11 * px}px system-ui, sans-serif`;
    ctx.textAlign = "center";
    for (const m of data.marks) {
      const x = u.valToPos(m.at, "x", true);
      if (x < bbox.left || x > bbox.left + bbox.width) continue;
      ctx.strokeStyle = ctx.fillStyle = colour(m.sign === "▲" ? "--act" : "--soft");
      ctx.lineWidth = px;
      ctx.setLineDash([2 * px, 3 * px]);
      ctx.beginPath(); ctx.moveTo(x, bbox.top + 12 * px); ctx.lineTo(x, bbox.top + bbox.height); ctx.stroke();
      ctx.fillText(m.sign, x, bbox.top + 10 * px);
    }
    ctx.restore();
  };

  const line = (label, extra) => ({ label, stroke: colour("--zinc"), width: 1.6, points: { show: false }, ...extra });
  // Above the curves there is room for the marks; volts are drawn close, so that a drift can be seen.
  const headroom = 0.18;
  const fromZero = (u, low, top) => (low == null ? [0, 1] : [Math.min(0, low), (top || 1) * (1 + headroom)]);
  // The readings near 0 V while nothing flows would squeeze the rest together: they may run off below.
  const close = (u, low, top) => {
    if (low == null) return [0, 1];
    const full = extreme(Math.max, data.amperes_top);
    const worth = data.volts_low.filter((v, i) => v < 0 || v > top / 10 || data.amperes_low[i] > full / 20);
    const least = worth.length ? extreme(Math.min, worth) : low;
    const room = Math.max(top - least, top / 10, 0.05);
    return [Math.max(Math.min(0, low), least - room * headroom), Math.max(top, least + room) + room * headroom];
  };
  const build = (title, height, series, bands, columns, range) => {
    const heading = document.createElement("p");
    heading.className = "plot-title";
    heading.textContent = title;
    plots.append(heading);
    const axis = { stroke: colour("--soft"), grid: { stroke: colour("--rule"), width: 0.6 }, ticks: { stroke: colour("--rule") }, font: "12px system-ui, sans-serif" };
    const u = new uPlot({
      width: plots.clientWidth, height,
      padding: [null, 20, null, null], // room for half of the last time
      series: [{}, ...series], bands,
      tzDate: local,
      scales: { x: { time: true }, y: { range } },
      axes: [{ ...axis, values: ticks, space: 70, size: 34 }, { ...axis, size: 54, space: 26 }],
      legend: { show: false },
      cursor: { sync: { key: "cell" }, drag: { x: true, y: false, setScale: false }, points: { show: false } },
      hooks: {
        drawAxes: [shade], draw: [marks],
        setCursor: [(v) => { if (v.cursor.idx != null) read(v.cursor.idx); }],
        setSelect: [(v) => {
          if (v.select.width < 4) return;
          const a = v.posToVal(v.select.left, "x"), b = v.posToVal(v.select.left + v.select.width, "x");
          charts.forEach((c) => c.u.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false));
          show([a, b]);
        }],
      },
    }, columns(), plots);
    u.over.addEventListener("dblclick", () => show(null));
    swipe(u);
    charts.push({ u, columns });
  };

  // swipe zooms by a finger as dragging does by a mouse. Up and down still scrolls the page.
  const swipe = (u) => {
    let from = null;
    const end = () => { from = null; u.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false); };
    const along = (e) => Math.min(u.over.clientWidth, Math.max(0, e.clientX - u.over.getBoundingClientRect().left));
    u.over.addEventListener("pointerdown", (e) => { if (e.pointerType === "touch") from = e.isPrimary ? along(e) : null; });
    u.over.addEventListener("pointermove", (e) => {
      if (from === null || e.pointerType !== "touch" || !e.isPrimary) return;
      const x = along(e);
      u.setCursor({ left: x, top: 10 });
      u.setSelect({ left: Math.min(from, x), width: Math.abs(x - from), top: 0, height: u.over.clientHeight }, false);
    });
    u.over.addEventListener("pointerup", (e) => {
      if (from === null || e.pointerType !== "touch") return;
      const { left, width } = u.select;
      end();
      if (width < 16) return; // a tap
      show([u.posToVal(left, "x"), u.posToVal(left + width, "x")]);
    });
    u.over.addEventListener("pointercancel", end);
  };

  const thin = { width: 1 };
  const planned = () => data.t.map((t) => {
    const p = data.plan;
    if (!p || p.slope[0] == null || t < p.began) return null;
    return Math.min(p.slope[0] * (t - p.began), p.target[0]);
  });
  const target = () => data.t.map(() => data.plan?.target[0] ?? null);
  const draw = () => {
    charts.forEach((c) => c.u.destroy());
    charts = [];
    plots.replaceChildren();
    const phone = window.innerWidth < 560, tall = phone ? 130 : 220, low = phone ? 105 : 160;
    const fill = colour("--zinc") + "33";
    const bands = [{ series: [1, 2], fill }];
    build("Charge, A·h", tall, [
      line("charge", { width: 2.2 }),
      line("plan", { stroke: colour("--plan"), dash: [8, 5], width: 1.4 }),
      line("target", { stroke: colour("--ink"), dash: [2, 4], width: 1.2 }),
    ], [], () => [data.t, data.charge_ampere_hours, planned(), target()], fromZero);
    build("Volts, V", low, [line("greatest", thin), line("least", thin)], bands, () => [data.t, data.volts_top, data.volts_low], close);
    build("Amperes, A", low, [line("greatest", thin), line("least", thin)], bands, () => [data.t, data.amperes_top, data.amperes_low], fromZero);
    requestAnimationFrame(() => performance.mark("curves")); // drawn; for who measures
  };
  const refresh = () => charts.forEach((c) => c.u.setData(c.columns()));

  const range = (a, b, unit) => (a === b ? `${a} ${unit}` : `${a} to ${b} ${unit}`);
  const at = (i) => {
    if (data.volts_top[i] == null) return `${clock(data.t[i], true)}: nobody observed`;
    const q = data.charge_ampere_hours[i];
    return `${day(data.t[i])} ${clock(data.t[i], true)}: ${range(data.volts_low[i], data.volts_top[i], "V")}, ${range(data.amperes_low[i], data.amperes_top[i], "A")}, ${q == null ? "charge not known" : `${q.toFixed(3)} A·h`}`;
  };
  const read = (i) => { if (data?.t[i] != null) readout.textContent = at(i); };
  const count = (n, word) => `${n} ${word}${n === 1 ? "" : "s"}`;
  const extreme = (f, column) => f(...column.filter((x) => x != null));
  const tell = () => {
    if (data.t.length < 2) { words.textContent = data.complete ? "No readings in this stretch." : "The curves are being prepared from the run log."; return; }
    const a = data.t[0], b = data.t[data.t.length - 1];
    words.textContent = `From ${day(a)} ${clock(a)} to ${day(b)} ${clock(b)}: ` +
      `${extreme(Math.min, data.volts_low)} to ${extreme(Math.max, data.volts_top)} V, ` +
      `${extreme(Math.min, data.amperes_low)} to ${extreme(Math.max, data.amperes_top)} A; ` +
      `${count(data.gaps.length, "gap")}, ${count(data.marks.length, "mark")}.` + (data.complete ? "" : " The run log is still being read; the rest follows.");
  };

  const limits = () => {
    if (!span || Array.isArray(span)) return span;
    return data ? [data.last - span, data.last] : null;
  };
  let early = document.querySelector("link[as=fetch]")?.href; // asked for with the page
  const load = async () => {
    const mine = ++loading;
    const query = new URLSearchParams({ points: Math.round(plots.clientWidth * Math.min(devicePixelRatio || 1, 2)) });
    if (run) query.set("run", run);
    const window = limits();
    if (window) { query.set("from", window[0].toFixed(3)); query.set("to", window[1].toFixed(3)); }
    const answer = await fetch(early ?? `/cell/${encodeURIComponent(cell)}/history?${query}`).catch(() => null);
    early = undefined;
    if (mine !== loading || !answer) return;
    if (!answer.ok) { words.textContent = `The curves are not available: ${await answer.text()}`; return; }
    data = await answer.json();
    if (data.t.length < 2) { charts.forEach((c) => c.u.destroy()); charts = []; plots.replaceChildren(); }
    else if (!charts.length || charts[0].u.width !== plots.clientWidth) draw();
    else refresh();
    tell();
  };
  const show = (to) => {
    span = to;
    document.querySelectorAll("[data-span]").forEach((b) => {
      const same = to === null ? b.dataset.span === "all" : Number(b.dataset.span) === to;
      b.setAttribute("aria-pressed", String(same));
    });
    load();
  };
  const shown = () => limits() || [data.first, data.last];
  const move = (by) => { const [a, b] = shown(); show([a + (b - a) * by / 2, b + (b - a) * by / 2]); };
  const zoom = (by) => { const [a, b] = shown(); const m = (a + b) / 2, h = Math.max(5, (b - a) * by / 2); show([m - h, m + h]); };

  document.querySelector(".range").addEventListener("click", (e) => {
    const d = e.target.dataset;
    if (!data || !d) return;
    if (d.span) show(d.span === "all" ? null : Number(d.span));
    if (d.move) move(Number(d.move));
    if (d.zoom) zoom(Number(d.zoom));
  });
  let pointed = -1;
  plots.addEventListener("keydown", (e) => {
    if (!data || !data.t.length) return;
    const step = { ArrowLeft: -1, ArrowRight: 1, PageUp: -20, PageDown: 20 }[e.key];
    if (step) {
      pointed = Math.min(data.t.length - 1, Math.max(0, (pointed < 0 ? data.t.length - 1 : pointed) + step));
      charts.forEach((c) => c.u.setCursor({ left: c.u.valToPos(data.t[pointed], "x"), top: 10 }, false));
      read(pointed);
    } else if (e.key === "+") zoom(0.5);
    else if (e.key === "-") zoom(2);
    else if (e.key === "Escape") { show(null); readout.textContent = hint; }
    else return;
    e.preventDefault();
  });

  // New readings are appended at once; from time to time the daemon is asked for all, reduced again.
  let appended = 0;
  document.addEventListener("reading", (e) => {
    if (run || !data || Array.isArray(span) || e.detail.cell !== cell) return;
    const [t, v, a, q] = e.detail.figures;
    if (!(t > (data.t[data.t.length - 1] ?? 0))) return;
    if (++appended >= 120 || !data.complete) { appended = 0; load(); return; }
    data.t.push(t); data.last = t;
    data.volts_low.push(v); data.volts_top.push(v);
    data.amperes_low.push(a); data.amperes_top.push(a);
    data.charge_ampere_hours.push(q);
    const window = limits();
    while (window && data.t.length && data.t[0] < window[0]) {
      ["t", "volts_low", "volts_top", "amperes_low", "amperes_top", "charge_ampere_hours"].forEach((k) => data[k].shift());
    }
    if (charts.length) refresh(); else if (data.t.length > 1) draw();
    tell();
  });

  let resized = 0;
  new ResizeObserver(() => { clearTimeout(resized); resized = setTimeout(() => { if (charts.length && charts[0].u.width !== plots.clientWidth) load(); }, 150); }).observe(plots);
  const redraw = () => { if (charts.length) draw(); };
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
  matchMedia("print").addEventListener("change", redraw);
  load();
})();
