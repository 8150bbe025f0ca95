// The night: the charts, and with them the photo and the displays of each minute; a click opens a reading for review.

import { fetchCharts, sayStatus, showCharts } from "./charts.js";
import { get, make, tell } from "./desk.js";
import { onKeys } from "./keys.js";

const PAUSE_MS = 120;
const at = (id) => document.getElementById(id);
const told = await get("/queue").catch(tell);
let found, view, later, shownName, version;

const numberOf = (row) => told.frames.indexOf(found.data.frames[row]);
const picture = (row, key) => (numberOf(row) < 0 ? null : `/picture/tile/${numberOf(row)}/${told.keys.indexOf(key)}.jpg?v=${told.pictures}`);

function review(row, key) {
  if (numberOf(row) >= 0) location.href = `/#${numberOf(row)}/${told.keys.indexOf(key)}`;
}

/** Show the photo of a row, once the pointer rests. */
function onRow(row) {
  clearTimeout(later);
  later = setTimeout(() => showPhoto(row), PAUSE_MS);
  for (const button of at("jumps").children) button.disabled = numberOf(row) < 0;
}

function showPhoto(row) {
  const [number, name, when] = [numberOf(row), found.data.frames[row], found.data.labels[row]];
  shownName = name;
  at("minute-title").textContent = `The photo of ${when}`;
  if (number < 0) {
    at("view").replaceChildren();
    at("view-words").textContent = "There is no photo for this time: a gap.";
    document.body.dataset.photo = "none";
    return;
  }
  const image = make("img", { alt: `Photo ${name}`, src: `/view/${number}.jpg?v=${told.pictures}` });
  image.decode().then(
    () => {
      if (shownName !== name) return;
      at("view").replaceChildren(image);
      at("view-words").textContent = name;
      document.body.dataset.photo = name;
    },
    () =>
      get(image.getAttribute("src")).catch((error) => {
        if (shownName !== name) return;
        at("view").replaceChildren();
        at("view-words").textContent = error.message;
      }),
  );
}

/** Give the display of a chart whose reading is not simply ok in this row, else its first. */
function keyAt(chart, row) {
  const displays = chart.keys.map((key) => found.data.displays.find((display) => display.key === key));
  return (displays.find((display) => found.data.flags[display.flags[row]] !== "ok") ?? displays[0]).key;
}

async function start() {
  found = await fetchCharts();
  at("chart-wait").textContent = found ? "" : "The charts could not be drawn; the terminal says why.";
  if (!found) return;
  const before = view?.row();
  view = showCharts(at("charts"), at("figures"), found, { onRow, picture });
  if (before !== undefined) view.go(before);
  for (const chart of found.data.charts) {
    at(chart.id)?.addEventListener("click", (event) => {
      // A finger on the chart moves along the night; only a mouse can point without pressing.
      if (event.pointerType !== "touch" && event.target.closest("svg")) review(view.row(), keyAt(chart, view.row()));
    });
  }
  onRow(view.row());
  document.body.dataset.ready = "true";
}

const step = (by) => (event) => (!view || event.target.type === "range" ? false : view.go(view.row() + by));
onKeys({ arrowleft: step(-1), arrowright: step(1), r: () => at("to-review").click() });

/** Draw the charts anew where corrections have changed them. */
function follow(status) {
  const now = sayStatus(at("made"), status);
  if (status.version > version) start().catch(tell);
  version = status.version;
  if (now === "waiting" || now === "making") setTimeout(() => get("/status").then(follow, tell), 1500);
}

if (told) {
  for (const button of at("jumps").children) button.addEventListener("click", () => review(view.row(), button.dataset.key));
  start()
    .then(() => get("/status"))
    .then((status) => {
      version = status.version;
      follow(status);
    })
    .catch(tell);
}
