"use strict";
// Narrows the page to the units and runs that hold every word of the search box. Without it everything is there.
(function () {
  const box = document.getElementById("search");
  const said = document.getElementById("said");
  const units = Array.from(document.querySelectorAll("details.unit"));
  const opened = new Set(document.querySelectorAll("details[open]"));

  function many(number, noun) {
    return `${number} ${noun}${number === 1 ? "" : "s"}`;
  }

  function narrow() {
    const words = box.value.toLowerCase().split(/\s+/).filter(Boolean);
    let runs = 0;
    let unstated = 0;
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
        runs += "unstated" in unit.dataset ? 0 : fitting;
        unstated += "unstated" in unit.dataset ? fitting : 0;
      }
    }
    for (const unit of units) {
      unit.open = words.length > 0 ? shown.length === 1 && shown[0] === unit : opened.has(unit);
    }
    const named = shown.filter((unit) => !("unstated" in unit.dataset)).length;
    const stated = named || !unstated ? [`${many(runs, "run")} of ${many(named, "unit")}`] : [];
    const apart = unstated ? [`unit not stated in ${many(unstated, "run")}`] : [];
    said.textContent = [...stated, ...apart].join(", ");
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
