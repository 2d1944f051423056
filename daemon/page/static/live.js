// Keeps the page's texts as the daemon says them. The daemon makes every text; this
// only puts each in its place, and says aloud when the page is no longer live. Then ages run
// on, the answer is struck out, and what needs the daemon is switched off.
"use strict";
(() => {
  const topic = document.body.dataset.topic;
  const link = document.getElementById("link");
  const clock = document.getElementById("clock");
  const say = document.getElementById("say");
  const announced = new Map();
  const parts = new Map();
  const title = document.title;
  const signs = { well: "●", look: "▲", act: "■", lost: "○" };
  const patience = 4000; // ms without an event until the figures count as old; events come twice a second
  let lastFrame = Date.now();
  let lost = false;
  let standing = "";

  const all = (selector) => document.querySelectorAll(selector);
  const place = {
    t: (id, text) => all(`[data-live="${CSS.escape(id)}"]`).forEach((e) => { e.textContent = text; }),
    s: (id, is) => {
      all(`[data-standing="${CSS.escape(id)}"]`).forEach((e) => { e.dataset.is = is; });
      if (id === topic) standing = is;
    },
    b: (id, text) => {
      const [share, plan] = text.split(" ").map(Number);
      all(`[data-bar="${CSS.escape(id)}"]`).forEach((e) => e.setAttribute("width", Math.max(0, share)));
      all(`[data-plan="${CSS.escape(id)}"]`).forEach((e) => e.setAttribute("x", plan < 0 ? -5 : plan));
    },
    h: (id, html) => all(`[data-part="${CSS.escape(id)}"]`).forEach((e) => {
      if (parts.get(id) === html) return;
      parts.set(id, html);
      const focused = e.contains(document.activeElement) ? document.activeElement.id : "";
      const open = [...e.querySelectorAll("details[open]")].map((d) => d.id);
      e.innerHTML = html; // made and escaped by the daemon's own templates
      for (const d of open) document.getElementById(d)?.setAttribute("open", "");
      if (focused) document.getElementById(focused)?.focus();
    }),
    n: (id, text) => document.dispatchEvent(new CustomEvent("reading", { detail: { cell: id, figures: text.split(" ").map(Number) } })),
    a: (id, text) => {
      const before = announced.get(id);
      announced.set(id, text);
      if (before !== undefined && before !== text) news.push(text || `${id}: no alarm is waiting for acknowledgement.`);
    },
    o: (id, text) => {
      const list = document.querySelector(".cells");
      const rows = text.split("\n").map((name) => list?.querySelector(`:scope > [data-standing="${CSS.escape(name)}"]`)).filter(Boolean);
      if (rows.every((row, i) => list.children[i] === row)) return;
      const focused = document.activeElement;
      list.append(...rows);
      if (list.contains(focused)) focused.focus();
    },
    w: (id, text) => {
      const actor = document.getElementById("actor");
      if (actor.textContent === `${text} may act here`) return;
      actor.textContent = `${text} may act here`;
      document.getElementById("mine").hidden = text === "";
      document.getElementById("again").hidden = text !== "";
      if (text === "") news.push("You were signed out, as after a restart of nightcell. Sign in again to act.");
    },
  };

  // A filter over many cells: every word has to be in a row.
  const find = document.getElementById("find");
  const filter = () => {
    const words = find.value.toLowerCase().split(/\s+/).filter(Boolean);
    let shown = 0;
    all(".dense tbody tr").forEach((row) => {
      row.hidden = !words.every((w) => row.textContent.toLowerCase().includes(w));
      if (!row.hidden) shown++;
    });
    const total = all(".dense tbody tr").length;
    const text = words.length ? `${shown} of ${total} cells` : `${total} cells, trouble first`;
    const found = document.getElementById("found");
    if (found.textContent !== text) found.textContent = text;
  };
  find?.addEventListener("input", filter);

  const units = { d: 86400, h: 3600, min: 60, s: 1 };
  const two = (n) => String(n).padStart(2, "0");
  // span writes a time as the daemon does; seconds reads it.
  const span = (s) => {
    const d = Math.floor(s / 86400), h = Math.floor(s / 3600) % 24, min = Math.floor(s / 60) % 60;
    if (d) return `${d} d ${h} h`;
    if (h) return `${h} h ${two(min)} min`;
    if (min >= 10) return `${min} min`;
    return min ? `${min} min ${two(Math.floor(s % 60))} s` : `${Math.floor(s)} s`;
  };
  const seconds = (text) => [...text.matchAll(/(\d+) (d|h|min|s)\b/g)].reduce((sum, [, n, unit]) => sum + n * units[unit], 0);
  const ages = new Map(); // the places of ages, and what the last event wrote there
  const runOn = (elapsed) => {
    all('[data-live$=".age"]').forEach((e) => {
      if (!ages.has(e)) ages.set(e, e.textContent);
      const text = ages.get(e);
      if (text.endsWith(" ago")) e.textContent = `${span(seconds(text) + elapsed)} ago`;
    });
    all(".answer, .brief, .headline").forEach((e) => { e.dataset.old = `Not live for ${span(elapsed)}. Last known state:`; });
  };
  // enable switches what needs the daemon on or off.
  const enable = (is) => {
    all("main button, .who button").forEach((e) => { e.disabled = !is; });
    all("main a.button, .who a").forEach((e) => {
      if (!is && e.hasAttribute("href")) {
        e.dataset.href = e.getAttribute("href");
        e.removeAttribute("href");
        e.setAttribute("role", "link");
        e.setAttribute("aria-disabled", "true");
      } else if (is && e.dataset.href) {
        e.setAttribute("href", e.dataset.href);
        delete e.dataset.href;
        e.removeAttribute("role");
        e.removeAttribute("aria-disabled");
      }
    });
  };
  // state is said in the head, at every answer (by the style sheet) and in the title.
  const state = (is, text) => {
    document.title = `${signs[is === "live" ? standing : is] ?? ""} ${title}`.trim();
    document.body.toggleAttribute("data-lost", is === "lost");
    if (link.dataset.is === is && is === "live") return;
    link.dataset.is = is;
    link.textContent = text;
  };

  let news = []; // of one event: several cells may have something to say at once
  let source;
  const listen = () => {
    source = new EventSource(`/events?of=${encodeURIComponent(topic)}${document.getElementById("actor") ? "&actor" : ""}`);
    source.onmessage = (message) => {
      lastFrame = Date.now();
      news = lost ? ["The page is live again."] : [];
      if (lost) for (const [e, text] of ages) e.textContent = text;
      ages.clear();
      for (const [key, value] of Object.entries(JSON.parse(message.data))) {
        if (key === "@") clock.textContent = value;
        else place[key[0]]?.(key.slice(2), value);
      }
      if (find?.value) filter();
      if (news.length) say.textContent = news.join(" ");
      if (lost) enable(true);
      lost = false;
      state("live", "live");
    };
  };
  // ask finds out whether only the events were refused, as when too many pages are open: then one can still act.
  const ask = () => fetch("/static/icon.svg", { cache: "no-store" }).then((answer) => { if (lost) enable(answer.ok); }, () => {});
  const look = () => {
    const age = Date.now() - lastFrame;
    if (age < patience) return;
    state("lost", `not live for ${span(age / 1000)}, since ${clock.textContent}: these figures are out of date`);
    runOn(age / 1000);
    const refused = source.readyState === EventSource.CLOSED; // else a browser comes back by itself
    if (!lost) {
      say.textContent = "The page has lost its connection. The figures are out of date.";
      enable(false);
      lost = true;
      if (refused) ask();
    }
    if (refused && Date.now() - asked > 10000) { asked = Date.now(); ask(); listen(); }
  };
  let asked = Date.now();
  listen();
  setInterval(look, 1000);
  document.addEventListener("visibilitychange", look); // a phone that wakes must not show the evening's answer
})();
