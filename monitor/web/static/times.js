"use strict";
/* Adds the reader's own time under each time of other clocks. */
function offsetOf(text) {       // minutes that the clocks of a time are ahead of UTC
  const found = /([+-])(\d\d):(\d\d)$/.exec(text);
  return found ? (found[1] === "-" ? -1 : 1) * (60 * Number(found[2]) + Number(found[3])) : 0;
}
function showLocalTimes(root) {
  for (const element of root.querySelectorAll("time[datetime]")) {
    const at = new Date(element.dateTime);
    if (element.dataset.local || Number.isNaN(at.getTime()) || -at.getTimezoneOffset() === offsetOf(element.getAttribute("datetime"))) continue;
    element.dataset.local = "yes";
    const local = document.createElement("span");
    local.className = "local";
    local.textContent = at.toLocaleString([], { month: "short", day: "numeric", hour: "2-digit", minute: "2-digit", second: "2-digit" }) + " local";
    element.append(local);
  }
}
showLocalTimes(document);
