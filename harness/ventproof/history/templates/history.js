"use strict";
// Narrows the page to the units and runs that hold every word of the search box. Without it everything is there.
(function () {
  const box = document.getElementById("search");
  const said = document.getElementById("said");
  const units = Array.from(document.querySelectorAll("details.unit"));
  const opened = new Set(document.querySelectorAll("details[open]"));

  function narrow() {
    const words = box.value.toLowerCase().split(/\s+/).filter(Boolean);
    let runs = 0;
    const shown = [];
    for (const unit of units) {
      let fitting = 0;
      for (const row of unit.querySelectorAll("tr[data-run]")) {
        const text = row.dataset.run;
        row.hidden = !words.every((word) => text.includes(word));
        fitting += row.hidden ? 0 : 1;
      }
      for (const group of unit.querySelectorAll("details.runs")) {
        group.hidden = group.querySelector("tr[data-run]:not([hidden])") === null;
        group.open = words.length > 0 || opened.has(group);
      }
      unit.querySelector(".overview").hidden = words.length > 0;
      unit.hidden = fitting === 0;
      if (fitting > 0) {
        shown.push(unit);
        runs += fitting;
      }
    }
    for (const unit of units) {
      unit.open = words.length > 0 ? shown.length === 1 && shown[0] === unit : opened.has(unit);
    }
    said.textContent = `${runs} run${runs === 1 ? "" : "s"} of ${shown.length} unit${shown.length === 1 ? "" : "s"}`;
  }

  box.closest("[hidden]").hidden = false;
  box.addEventListener("input", narrow);
  box.addEventListener("keydown", (event) => {
    if (event.key === "Enter") {
      const first = units.find((unit) => !unit.hidden);
      if (first) {
        event.preventDefault();
        first.open = true;
        first.querySelector("summary").focus();
      }
    }
  });
  document.addEventListener("keydown", (event) => {
    if (event.key === "/" && document.activeElement !== box) {
      event.preventDefault();
      box.focus();
    }
  });
  narrow();
})();
