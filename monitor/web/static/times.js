"use strict";
/* Adds the reader's own time under each UTC time, where the two differ. */
function showLocalTimes(root) {
  for (const element of root.querySelectorAll("time[datetime]")) {
    const at = new Date(element.dateTime);
    if (element.dataset.local || Number.isNaN(at.getTime()) || at.getTimezoneOffset() === 0) continue;
    element.dataset.local = "yes";
    const local = document.createElement("span");
    local.className = "local";
    local.textContent = at.toLocaleString([], { month: "short", day: "numeric", hour: "2-digit", minute: "2-digit", second: "2-digit" }) + " local";
    element.append(local);
  }
}
showLocalTimes(document);
