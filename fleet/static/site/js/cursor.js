// A cursor across a chart or the horizon, by arrow keys or pointer. It reads the data table that stands
// beneath the drawing (rows with data-at, a place in percent), so it never knows more than the page says.
(function () {
  "use strict";

  function wire(figure) {
    if (figure.dataset.wired) return;
    figure.dataset.wired = "yes";
    const lane = figure.querySelector("[data-cursor-lane]");
    const says = figure.querySelector("[data-cursor-says]");
    const rows = Array.from(figure.querySelectorAll("tr[data-at]"));
    if (!lane || !says || rows.length === 0) return;
    const places = rows.map((row) => parseFloat(row.dataset.at));
    const line = document.createElement("span");
    line.className = "cursor";
    line.hidden = true;
    lane.appendChild(line);
    const heads = figure.dataset.cursor === "named" ? Array.from(figure.querySelectorAll("thead th")) : [];
    let now = -1;

    function go(index) {
      now = Math.max(0, Math.min(rows.length - 1, index));
      line.hidden = false;
      line.style.left = places[now] + "%";
      says.textContent = Array.from(rows[now].cells)
        .map((cell, n) => ({ name: n > 0 && heads[n] ? heads[n].textContent.trim() + ": " : "", text: cell.textContent.trim() }))
        .filter((part) => part.text !== "")
        .map((part) => part.name + part.text)
        .join(" \u00b7 ");
    }

    const stage = figure.querySelector("[data-cursor-stage]") || lane;
    stage.tabIndex = 0;
    stage.classList.add("has-cursor");
    stage.addEventListener("keydown", function (event) {
      const steps = { ArrowRight: 1, ArrowLeft: -1, PageDown: 7, PageUp: -7 };
      if (event.target !== stage) return;
      if (event.key in steps) go(now < 0 ? 0 : now + steps[event.key]);
      else if (event.key === "Home") go(0);
      else if (event.key === "End") go(rows.length - 1);
      else if (event.key === "Escape") { line.hidden = true; says.textContent = ""; now = -1; return; }
      else return;
      event.preventDefault();
    });
    const root = figure.querySelector("[data-cursor-root]") || stage;
    root.addEventListener("pointermove", function (event) {
      const box = lane.getBoundingClientRect();
      const at = (100 * (event.clientX - box.left)) / box.width;
      if (at < 0 || at > 100) return;
      let best = 0;
      for (let n = 1; n < places.length; n += 1) {
        if (Math.abs(places[n] - at) < Math.abs(places[best] - at)) best = n;
      }
      if (best !== now) go(best);
    });
  }

  function wireAll(root) {
    root.querySelectorAll("[data-cursor]").forEach(wire);
  }
  document.addEventListener("DOMContentLoaded", function () { wireAll(document); });
  document.addEventListener("htmx:afterSwap", function (event) { wireAll(event.target.parentNode || document); });
})();
