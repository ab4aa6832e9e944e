"use strict";
/* Puts pushed parts into the page. The browser's EventSource comes back by itself; we say when it is away. */
(() => {
  const QUIET_MS = 15000;      // three beats missed: the connection is gone, whatever the browser believes
  const byId = (id) => document.getElementById(id);
  let source = null, heard = Date.now(), lostAt = null;

  function words(seconds) {
    const s = Math.round(seconds);
    if (s < 120) return `${s} s`;
    if (s < 7200) return `${Math.floor(s / 60)} min`;
    const [text, rest] = s < 172800 ? [`${Math.floor(s / 3600)} h`, Math.floor(s % 3600 / 60)] : [`${Math.floor(s / 86400)} d`, Math.floor(s % 86400 / 3600)];
    return rest ? `${text} ${rest} ${s < 172800 ? "min" : "h"}` : text;
  }

  function lost(message) {
    if (lostAt === null) lostAt = new Date(heard);
    byId("lost").textContent = message || `No connection to the monitor since ${lostAt.toLocaleTimeString()} local time; trying again. What is shown below is old.`;
    byId("lost").hidden = false;
    byId("link").textContent = "";
  }

  function here() {
    heard = Date.now(); lostAt = null;
    byId("lost").hidden = true;
    byId("link").textContent = "live";
  }

  const FOCUSABLE = "a, button, summary";
  function focusPath(element) {     // what had the keyboard's focus has it again after its part was replaced
    const index = [...element.querySelectorAll(FOCUSABLE)].indexOf(document.activeElement);
    return index < 0 ? null : { index };
  }

  function reorder(parent, names) {
    if (!parent) return;
    const focus = document.activeElement;
    names.forEach((name, i) => {
      const child = byId(name);
      if (child && parent.children[i] !== child) parent.insertBefore(child, parent.children[i] || null);
    });
    if (focus && focus !== document.activeElement && parent.contains(focus)) focus.focus({ preventScroll: true });
  }

  function put(name, html) {
    if (name.startsWith("order:")) { reorder(byId(name.slice(6)), html.split(" ")); return; }
    const element = byId(name);
    if (!element) return;
    const kept = focusPath(element);
    element.innerHTML = html;
    showLocalTimes(element);
    if (kept) element.querySelectorAll(FOCUSABLE)[kept.index]?.focus({ preventScroll: true });
  }

  function connect() {
    if (source) source.close();
    source = new EventSource(document.body.dataset.stream);
    source.addEventListener("parts", (event) => {
      here();
      for (const [name, html] of Object.entries(JSON.parse(event.data))) put(name, html);
      document.dispatchEvent(new Event("parts"));
    });
    source.addEventListener("beat", (event) => {
      here();
      const beat = JSON.parse(event.data);
      byId("old").hidden = !beat.old;
      byId("age").textContent = words(beat.age_s);
    });
    source.addEventListener("trouble", (event) => { heard = Date.now(); lost(JSON.parse(event.data).message); });
    source.addEventListener("error", () => lost());
  }

  setInterval(() => {
    if (Date.now() - heard < QUIET_MS) return;
    lost();
    heard = Date.now();          // give the new connection its own time
    connect();
  }, 2000);
  if (document.body.dataset.stream) connect();
})();
