"use strict";
/* Shows only the lines of a table that hold what is looked for, or that need a look. */
(() => {
  const find = document.getElementById("find"), only = document.getElementById("only");
  if (!find) return;
  const rows = document.getElementById(find.dataset.rows);
  function sift() {
    const words = find.value.toLowerCase().split(/\s+/).filter(Boolean);
    for (const row of rows.children) {
      const text = row.textContent.toLowerCase();
      row.hidden = !words.every((word) => text.includes(word)) || only.checked && !row.querySelector(".word");
    }
  }
  find.addEventListener("input", sift);
  only.addEventListener("change", sift);
  document.addEventListener("parts", sift);
})();
