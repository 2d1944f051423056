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
      if (before !== undefined && before !== text) news.push(text || `${id}: no alarm waits for an answer any more.`);
    },
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
    source = new EventSource(`/events?of=${encodeURIComponent(topic)}`);
    source.onmessage = (message) => {
      lastFrame = Date.now();
      news = lost ? ["The page is live again."] : [];
      lost = false;
      for (const [key, value] of Object.entries(JSON.parse(message.data))) {
        if (key === "@") clock.textContent = value;
        else place[key[0]]?.(key.slice(2), value);
      }
      if (news.length) say.textContent = news.join(" ");
      state("live", "live");
    };
  };
  const look = () => {
    const age = Date.now() - lastFrame;
    if (age < patience) return;
    state("lost", `not live since ${clock.textContent}: these figures are old`);
    if (!lost) say.textContent = "The page has lost its connection. The figures are old.";
    lost = true;
    // A browser comes back by itself unless it was refused, as when too many pages are open.
    if (source.readyState === EventSource.CLOSED && Date.now() - asked > 10000) { asked = Date.now(); listen(); }
  };
  let asked = Date.now();
  listen();
  setInterval(look, 1000);
  document.addEventListener("visibilitychange", look); // a phone that wakes must not show the evening's answer
})();
