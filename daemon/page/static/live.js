// Keeps the page's texts as the daemon says them. The daemon makes every text; this
// only puts each in its place, and says aloud when the page is no longer live.
"use strict";
(() => {
  const topic = document.body.dataset.topic;
  const link = document.getElementById("link");
  const clock = document.getElementById("clock");
  const say = document.getElementById("say");
  const announced = new Map();
  const parts = new Map();
  const title = document.title;
  const signs = { well: "●", look: "▲", act: "■" };
  let lastFrame = 0;
  let lost = false;

  const all = (selector) => document.querySelectorAll(selector);
  const place = {
    t: (id, text) => all(`[data-live="${CSS.escape(id)}"]`).forEach((e) => { e.textContent = text; }),
    s: (id, is) => {
      all(`[data-standing="${CSS.escape(id)}"]`).forEach((e) => { e.dataset.is = is; });
      if (id === topic) document.title = `${signs[is]} ${title}`;
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
      if (before !== undefined && before !== text) say.textContent = text || "No alarm waits for an answer any more.";
    },
  };

  const state = (is, text) => {
    if (link.dataset.is === is && is === "live") return;
    link.dataset.is = is;
    link.textContent = text;
  };

  const source = new EventSource(`/events?of=${encodeURIComponent(topic)}`);
  source.onmessage = (message) => {
    lastFrame = Date.now();
    for (const [key, value] of Object.entries(JSON.parse(message.data))) {
      if (key === "@") clock.textContent = value;
      else place[key[0]]?.(key.slice(2), value);
    }
    if (lost) say.textContent = "The page is live again.";
    lost = false;
    state("live", "live");
  };
  setInterval(() => {
    if (Date.now() - lastFrame < 4000) return;
    state("lost", `not live since ${clock.textContent}: these figures are old`);
    if (!lost && lastFrame) say.textContent = "The page has lost its connection. The figures are old.";
    lost = true;
    if (source.readyState === EventSource.CLOSED) location.reload(); // refused for good: ask anew
  }, 1000);
})();
