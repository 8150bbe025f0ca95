// The page that settles doubtful readings: one at a time, by keyboard, the next one fetched before it is asked for.

import { fetchCharts, sayStatus, showCharts } from "./charts.js";
import { Fault, get, make, say, send, tell } from "./desk.js";
import { listKeys, onKeys } from "./keys.js";

const AHEAD = 3;
const at = (id) => document.getElementById(id);
const state = { queue: [], at: 0, frames: [], keys: [], pictures: "", known: new Map(), sights: new Map(), pending: Promise.resolve(), charts: null, version: 0, sure: "" };

const nameOf = (one) => `${one.number}/${one.place}`;
const current = () => state.queue[state.at];
const decided = () => state.queue.filter((one) => one.decided).length;

// --- what is fetched ahead -------------------------------------------------------------------------------------------------

function address(kind, number, place) {
  return `/picture/${kind}/${number}/${place}.jpg?v=${state.pictures}`;
}

/** Give the picture of a display, loading or loaded; the same element each time, so that it shows at once. */
function sight(kind, number, place, alt) {
  const name = `${kind}/${number}/${place}`;
  if (!state.sights.has(name)) {
    const image = make("img", { alt, src: address(kind, number, place) });
    image.ready = image.decode().catch(() => image.classList.add("broken"));
    state.sights.set(name, image);
    while (state.sights.size > 400) state.sights.delete(state.sights.keys().next().value);
  }
  const image = state.sights.get(name);
  image.alt = alt;
  return image;
}

function sightsOf(reading) {
  const { number, place, quantity, when } = reading;
  const own = [];
  if (reading.picture !== "none") own.push(sight("raw", number, place, `${quantity} in the photo of ${when}`));
  if (reading.picture === "photo") own.push(sight("evened", number, place, `${quantity} at ${when}, light evened out`));
  const beside = reading.beside.map((other) => (other.has_picture ? sight("tile", other.number, place, `${quantity} at ${other.when}`) : null));
  return { own, beside };
}

function fetchReading(one) {
  const name = nameOf(one);
  if (!state.known.has(name)) {
    const asked = get(`/reading/${name}`);
    state.known.set(name, asked);
    asked.catch(() => state.known.delete(name));
  }
  return state.known.get(name);
}

async function fetchAhead() {
  const from = current();
  for (let step = 1; step <= AHEAD; step++) {
    const one = state.queue[state.at + step];
    const sights = one && (await fetchReading(one).then(sightsOf, () => null));
    if (sights) await Promise.all(sights.own.map((image) => image.ready));
  }
  if (from && from === current()) document.body.dataset.ahead = nameOf(from);
}

// --- showing ---------------------------------------------------------------------------------------------------------------

async function show(began = performance.now()) {
  const one = current();
  at("work").hidden = !one;
  at("ending").hidden = Boolean(one);
  if (!one) return end();
  const reading = await fetchReading(one);
  if (one !== current()) return;
  fill(one, reading);
  const sights = sightsOf(reading);
  fillSights(reading, sights);
  markChart(reading);
  at("what").focus({ preventScroll: window.innerWidth > 700 });
  if (location.hash !== `#${nameOf(one)}`) history.replaceState(history.state, "", `#${nameOf(one)}`);
  await Promise.all(sights.own.map((image) => image.ready));
  if (one !== current()) return;
  performance.measure("reading-shown", { start: began });
  document.body.dataset.shown = nameOf(one);
  fetchAhead().catch(tell);
}

const percent = (share) => (share < 0.01 ? "under 1 %" : share > 0.99 ? "over 99 %" : `${Math.round(100 * share)} %`);
const withUnit = (text, unit) => (text ? `${text}\u00a0${unit}`.trim() : "");

function fill(one, reading) {
  at("what").textContent = [reading.quantity, reading.when].join(", ");
  at("place").textContent = `${state.at + 1} of ${state.queue.length}, ${decided()} settled \u00b7 ${[reading.instrument, reading.frame].filter(Boolean).join(" \u00b7 ")}`;
  at("reasons").replaceChildren(...reasonsOf(one.reasons).map((reason) => make("li", {}, reason)));
  at("now").textContent = withUnit(reading.text, reading.unit) || "no number";
  const flag = at("flag");
  flag.textContent = reading.decided ? "set by you" : reading.flag;
  flag.className = `chip ${reading.decided ? "sure" : reading.text ? "unsure" : "none"}`;
  const read = `read as ${withUnit(reading.read, reading.unit) || reading.read_as}`;
  at("why").textContent = reading.decided ? `Kept: ${reading.decided}; ${read}.` : `${reading.why} It is ${percent(reading.confidence)} sure.`;
  fillAnswers(reading);
  at("typed").value = "";
  fault("");
  at("next").disabled = false;
  at("back").disabled = state.at === 0;
}

/** Name at most one limit: a poisonous gas has many that are close together. */
function reasonsOf(reasons) {
  const [plain, limits] = [true, false].map((wanted) => reasons.filter((reason) => !reason.startsWith("near a limit") === wanted));
  return [...plain, ...limits.slice(0, 1).map((text) => (limits.length > 1 ? `${text}, and ${limits.length - 1} more` : text))];
}

function fillAnswers(reading) {
  const share = (probability) => (probability < 0.001 ? "< 0.1 %" : `${(100 * probability).toPrecision(2)} %`);
  const answer = (key, text, small, said, kind) =>
    make("button", { type: "button", class: `button ${kind}`, "data-answer": said, onclick: () => decide(said) }, make("kbd", {}, key), " ", make("b", {}, text), " ", make("small", {}, small));
  const answers = reading.rivals.map((rival, number) => answer(String(number + 1), rival.text, share(rival.probability), rival.text, "rival"));
  const likely = reading.confidence >= 0.5; // what is not even likely is offered, but not put forward
  const sureness = likely ? "as it was read" : `as it was read, ${percent(reading.confidence)} sure`;
  if (reading.can_accept) answers.unshift(answer("Enter", reading.read, sureness, reading.read, likely ? "accept primary" : "accept"));
  at("answers").replaceChildren(...answers);
}

function fillSights(reading, { own, beside }) {
  at("raw").replaceChildren(own[0] ?? make("p", { class: "small" }, "No picture."));
  at("evened").replaceChildren(own[1] ?? make("p", { class: "small" }, "Needs the photo."));
  at("picture-words").textContent = reading.picture_words;
  at("picture-words").hidden = !reading.picture_words;
  for (const image of own) {
    image.ready.then(() => {
      if (!image.classList.contains("broken") || !image.isConnected) return;
      get(image.getAttribute("src")).catch((error) => {
        image.replaceWith(make("p", { class: "small" }, "No picture."));
        at("picture-words").textContent = error.message;
        at("picture-words").hidden = false;
      });
    });
  }
  at("around").replaceChildren(
    ...reading.beside.map((other, number) =>
      make(
        "li",
        { "aria-current": other.number === reading.number ? "true" : null },
        beside[number] ?? make("span", { class: "gone" }, "no picture"),
        make("b", {}, other.text || "\u2013"),
        make("span", { class: "small" }, other.when, make("br"), other.flag === "ok" ? "" : other.flag),
      ),
    ),
  );
  const here = at("around").querySelector("[aria-current]");
  at("around").scrollLeft = here.offsetLeft - at("around").offsetLeft - (at("around").clientWidth - here.clientWidth) / 2;
}

function end() {
  const total = state.queue.length;
  at("ending-title").textContent = total ? "That was the last one" : "Nothing is in doubt";
  at("ending-words").textContent = total ? `${decided()} of ${total} readings were settled.` : "No reading has a flag that was asked for. --all shows every reading that is not simply ok.";
  at("again").disabled = !total;
  at("ending-title").focus();
  document.body.dataset.shown = "ending";
}

// --- the chart -------------------------------------------------------------------------------------------------------------

async function loadCharts() {
  const found = await fetchCharts();
  at("chart-wait").textContent = found ? "" : "The chart could not be drawn.";
  if (!found) return;
  const place = at("charts").querySelector(".figures") ?? at("charts").appendChild(make("div", { class: "figures" }));
  state.charts = { ...found, view: showCharts(at("charts"), place, found, { picture: () => null }) };
  const one = current();
  if (one) markChart(await fetchReading(one));
}

function markChart(reading) {
  if (!state.charts) return;
  for (const chart of state.charts.charts) {
    at(chart.id).hidden = !state.charts.data.charts.some((each) => each.id === chart.id && each.keys.includes(reading.key));
  }
  const row = state.charts.data.frames.indexOf(reading.frame);
  if (row >= 0) state.charts.view?.go(row);
}

// --- deciding --------------------------------------------------------------------------------------------------------------

function fault(text) {
  at("typed-fault").textContent = text;
  at("typed-fault").hidden = !text;
  if (text) at("typed").setAttribute("aria-invalid", "true");
  else at("typed").removeAttribute("aria-invalid");
}

/** Keep what was said; the page goes on at once, the answer of the desk is awaited behind it, one after the other. */
function decide(said, { typed = false } = {}) {
  const one = current();
  if (!one) return false;
  const began = performance.now();
  const sure = typed && state.sure === said;
  const kept = state.pending.then(() => send("POST", `/decide/${nameOf(one)}`, { said, sure }));
  state.pending = kept.catch(() => null);
  const done = (answer) => {
    one.decided = true;
    state.known.set(nameOf(one), Promise.resolve(answer.reading));
    forgetBeside(one);
    at("undo").disabled = false;
    follow(answer.status);
  };
  if (!typed) {
    go(1, began);
    return kept.then((answer) => {
      done(answer);
      say(`${answer.reading.quantity}, ${answer.reading.when}: ${answer.reading.decided}.`);
    }, tell);
  }
  return kept.then(
    (answer) => {
      state.sure = "";
      done(answer);
      if (one === current()) go(1, began);
    },
    (error) => {
      if (!(error instanceof Fault)) throw error;
      state.sure = said;
      fault(error.message);
    },
  );
}

/** What was fetched of the frames beside a reading tells its old value. */
function forgetBeside(one) {
  for (const other of [...state.known.keys()]) {
    const [number, place] = other.split("/").map(Number);
    if (place === one.place && number !== one.number && Math.abs(number - one.number) <= 3) state.known.delete(other);
  }
  if (current()) fetchReading(current()).then((reading) => nameOf(current() ?? {}) === nameOf(reading) && fillSights(reading, sightsOf(reading)), tell);
}

async function undo() {
  const answer = await state.pending.then(() => send("POST", "/undo", {})).catch(tell);
  if (!answer) return;
  if (!answer.undone) return say("There is nothing to undo.");
  const { reading, status } = answer;
  const place = state.queue.findIndex((one) => nameOf(one) === nameOf(reading));
  state.known.set(nameOf(reading), Promise.resolve(reading));
  if (place >= 0) {
    state.queue[place].decided = Boolean(reading.decided);
    state.at = place;
    forgetBeside(state.queue[place]);
  }
  follow(status);
  say(`Taken back: ${reading.quantity}, ${reading.when}.`);
  await show();
}

function go(step, began = performance.now()) {
  const next = Math.min(Math.max(state.at + step, 0), state.queue.length);
  if (next === state.at) return;
  state.at = next;
  state.sure = "";
  show(began).catch(tell);
}

/** Go to any reading of the night: to its place in the queue, or put it in here. */
function jump(hash) {
  const [number, place] = hash.replace("#", "").split("/").map(Number);
  if (!state.frames[number] || !state.keys[place]) return;
  const known = state.queue.findIndex((one) => one.number === number && one.place === place);
  if (known < 0) state.queue.splice(state.at, 0, { number, place, reasons: ["chosen in the night"] });
  else state.at = known;
}

// --- findings and report follow ----------------------------------------------------------------------------------------------

let following = 0;

function follow(status) {
  const now = sayStatus(at("made"), status);
  if (status.version !== state.version && state.charts) {
    state.version = status.version;
    loadCharts().catch(tell);
  }
  clearTimeout(following);
  if (now === "waiting" || now === "making" || !state.charts) {
    following = setTimeout(() => get("/status").then(follow, tell), 1500);
  }
}

// --- keys --------------------------------------------------------------------------------------------------------------------

const ROWS = [
  ["Enter", "the reading is right as it stands"],
  ["1 2 3 4 5", "it shows the rival with that number"],
  ["T", "type what it shows; Enter sets it, Esc leaves the field"],
  ["X", "it cannot be read"],
  ["O", "it says that it is over range"],
  ["H", "something stands in front of it"],
  ["B", "it is switched off"],
  ["\u2192 N", "next, without an answer"],
  ["\u2190 P", "back"],
  ["Z", "undo the last answer"],
  ["G", "the whole night"],
  ["?", "this list"],
];

const onButton = (event) => /^(button|a|summary)$/i.test(event.target.tagName);
const press = (selector) => () => {
  const button = document.querySelector(selector);
  if (!button || button.disabled || at("work").hidden) return false;
  button.click();
};

onKeys({
  enter: (event) => (onButton(event) ? false : press("#answers .accept")()),
  ...Object.fromEntries([1, 2, 3, 4, 5].map((number) => [String(number), () => press(`#answers .rival:nth-of-type(${number + (document.querySelector("#answers .accept") ? 1 : 0)})`)()])),
  t: () => (at("work").hidden ? false : at("typed").focus()),
  x: press('[data-said="unreadable"]'),
  o: press('[data-said="over_range"]'),
  h: press('[data-said="hidden"]'),
  b: press('[data-said="blank"]'),
  n: () => go(1),
  arrowright: () => go(1),
  p: () => go(-1),
  arrowleft: () => go(-1),
  z: () => undo(),
  "ctrl+z": () => undo(),
  g: () => at("to-night").click(),
  "?": () => listKeys(at("keys"), ROWS),
});

at("typed").addEventListener("keydown", (event) => {
  if (event.key === "Escape") at("what").focus();
});
at("typing").addEventListener("submit", (event) => {
  event.preventDefault();
  decide(at("typed").value.trim(), { typed: true });
});
for (const button of document.querySelectorAll("[data-said]")) button.addEventListener("click", () => decide(button.dataset.said));
at("next").addEventListener("click", () => go(1));
at("back").addEventListener("click", () => go(-1));
at("again").addEventListener("click", () => go(-1));
at("undo").addEventListener("click", () => undo());
at("help").addEventListener("click", () => listKeys(at("keys"), ROWS));
window.addEventListener("hashchange", () => {
  if (!current() || location.hash === `#${nameOf(current())}`) return;
  jump(location.hash);
  show().catch(tell);
});

const told = await get("/queue").catch(tell);
if (told) {
  Object.assign(state, told);
  state.version = told.status.version;
  if (location.hash) jump(location.hash);
  await show().catch(tell);
  document.body.dataset.ready = "true";
  follow(told.status);
  loadCharts().catch(tell);
}
