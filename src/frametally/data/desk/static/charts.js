// The report's charts on a page of the desk: fetched when they are drawn, given to the report's own script.

import { get, make } from "./desk.js";

const wait = (milliseconds) => new Promise((done) => setTimeout(done, milliseconds));

/** Give the charts as soon as there are some newer than `version`; null where they cannot be made. */
export async function fetchCharts() {
  for (;;) {
    const found = await get("/charts");
    if (!found.waiting) return found;
    if (found.state === "failed") return null;
    await wait(700);
  }
}

// SVG text without styles in it: the page's policy forbids those, so they come as data and are set here.
function drawing(text) {
  const svg = document.importNode(new DOMParser().parseFromString(text, "image/svg+xml").documentElement, true);
  for (const element of [svg, ...svg.querySelectorAll("[data-look]")]) {
    if (element.dataset.look) element.style.cssText = element.dataset.look;
    delete element.dataset.look;
  }
  for (const group of svg.querySelectorAll("g[id]")) group.removeAttribute("id"); // several have the same; nothing points at them
  return svg;
}

/** Put charts into `place` inside `root`, which holds a ".reader"; give what `frametallyChart` gives. */
export function showCharts(root, place, found, options) {
  place.replaceChildren(
    ...found.charts.map((chart) =>
      make(
        "figure",
        { class: "chart", id: chart.id },
        make("h3", {}, chart.title),
        make("div", { class: "wide" }, drawing(chart.wide)),
        make("div", { class: "narrow" }, drawing(chart.narrow)),
      ),
    ),
  );
  return window.frametallyChart(root, found.data, options);
}

/** Say in `element` how findings and report stand; give the state. */
export function sayStatus(element, status) {
  const words = {
    waiting: "Report follows \u2026",
    making: "Report is being made \u2026",
    failed: status.fault,
    current: status.at ? `Report made again ${status.at}` : "",
  };
  if (element.textContent !== words[status.state]) element.textContent = words[status.state];
  element.classList.toggle("failed", status.state === "failed");
  return status.state;
}
