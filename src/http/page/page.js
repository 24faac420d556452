// Keeps an open page fresh. Without this script the page still works: it reloads itself and its buttons are plain forms.
"use strict";
(() => {
  const root = document.documentElement;
  const seen = document.getElementById("seen");
  if (!seen) return;
  // The age when it was told, and when that was by this browser's own steady clock.
  let told = seen.dataset.age === "" ? null : Number(seen.dataset.age);
  let at = performance.now();

  const said = (ms) => {
    const s = Math.max(0, Math.round(ms / 1000));
    if (s < 60) return s + " s";
    const m = Math.floor(s / 60);
    if (m < 60) return m + " min" + (s % 60 ? " " + (s % 60) + " s" : "");
    const h = Math.floor(m / 60);
    return h < 48 ? h + " h" + (m % 60 ? " " + (m % 60) + " min" : "") : Math.floor(h / 24) + " d " + (h % 24) + " h";
  };
  const tick = () => {
    if (told === null) return;
    const age = told + performance.now() - at;
    const words = "last seen " + said(age) + " ago";
    if (seen.textContent !== words) seen.textContent = words;
    root.classList.toggle("ageing", age >= 15000);
    root.classList.toggle("old", age >= 60000);
  };
  setInterval(tick, 1000);

  // A button that somebody is about to press must not be taken from under the finger, nor words that are being written.
  const written = (f) => (f.type === "radio" || f.type === "checkbox" ? f.checked !== f.defaultChecked
    : f.tagName === "SELECT" ? ![...f.options].every((o) => o.selected === o.defaultSelected || f.selectedIndex === 0) : f.value !== f.defaultValue);
  const held = (part) => (part.contains(document.activeElement) && document.activeElement !== document.body)
    || [...part.querySelectorAll("input:not([type=hidden]), select")].some(written);
  const waiting = new Map();
  const put = (id, html) => {
    const part = document.getElementById(id);
    if (!part) return;
    if (held(part)) { waiting.set(id, html); return; }
    waiting.delete(id);
    const open = [...part.querySelectorAll("details[open]")].map((d) => d.id);
    part.innerHTML = html;
    for (const d of part.querySelectorAll("details")) d.open = open.includes(d.id);
  };
  setInterval(() => waiting.forEach((html, id) => put(id, html)), 1000);
  let stream = null;
  const listen = () => {
    stream = new EventSource("/stream");
    stream.addEventListener("seen", (e) => {
      const d = JSON.parse(e.data);
      told = d.age_ms; at = performance.now(); tick();
    });
    stream.addEventListener("part", (e) => { const d = JSON.parse(e.data); put(d.id, d.html); });
    stream.addEventListener("error", () => {
      // A refused stream is not tried again by the browser itself.
      if (stream.readyState === EventSource.CLOSED) setTimeout(listen, 5000);
    });
  };
  listen();
  // A page that slept in a pocket asks anew as soon as it is looked at.
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "visible" && stream.readyState !== EventSource.OPEN) { stream.close(); listen(); }
  });
})();
