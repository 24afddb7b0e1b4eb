"use strict";
(() => {
  const choose = document.getElementById("choose");
  const rows = [...document.querySelectorAll("tbody tr")];
  const shown = document.getElementById("shown");
  choose.closest("p").hidden = false;
  choose.addEventListener("change", () => {
    let number = 0;
    for (const row of rows) {
      row.hidden = choose.value !== "" && row.dataset.kind !== choose.value;
      number += !row.hidden;
    }
    shown.textContent = `${number} of ${rows.length} shown`;
  });
})();
