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
    const two = (n) => String(n).padStart(2, "0");
    const day = `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())}`;
    const other = element.textContent.startsWith(day) ? "" : `${day} `;
    local.textContent = `${other}${two(at.getHours())}:${two(at.getMinutes())}:${two(at.getSeconds())} local`;
    element.append(local);
  }
}
showLocalTimes(document);
