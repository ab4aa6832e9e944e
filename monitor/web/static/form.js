"use strict";
/* Remembers in this browser what a person would otherwise enter again: the name, and the steps ticked off. */
(() => {
  const DAY_MS = 12 * 3600 * 1000;
  const kept = (key) => { try { return JSON.parse(localStorage.getItem(key)); } catch { return null; } };
  const keep = (key, value) => { try { localStorage.setItem(key, JSON.stringify(value)); } catch { /* private mode */ } };

  for (const field of document.querySelectorAll("[data-remember]")) {
    const key = `bagwright.${field.dataset.remember}`;
    field.value = field.value || kept(key) || "";
    field.form.addEventListener("submit", () => keep(key, field.value));
  }

  for (const choice of document.querySelectorAll("[data-zones]")) {      // the clocks of this browser, too
    const here = Intl.DateTimeFormat().resolvedOptions().timeZone;
    if (here && ![...choice.options].some((option) => option.value === here)) choice.add(new Option(`${here} (yours)`, here));
  }

  const steps = [...document.querySelectorAll("[data-step]")];
  const key = (box) => `bagwright.step.${box.dataset.step}`;
  for (const box of steps) {
    const at = kept(key(box));
    box.checked = at !== null && Date.now() - at < DAY_MS;      // a tick of another day is none
    box.addEventListener("change", () => keep(key(box), box.checked ? Date.now() : null));
  }
  document.getElementById("restart")?.addEventListener("click", () => {
    for (const box of steps) { box.checked = false; keep(key(box), null); }
    steps[0]?.focus();
  });
})();
